"""The user's own settings (`settings.json` in the data folder): who works here, where cases are copied, what a block costs."""

from __future__ import annotations

import getpass
import json
import os
import secrets
import tempfile
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from advisor.home import data_home

__all__ = ["Settings", "SettingsError"]

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


class SettingsError(Exception):
    """The settings cannot be read or written, or a value does not fit; the text says what to give."""


@dataclass
class Settings:
    """All of them. `prices`: money for a block by material; `hour_price`: money for an hour at the bench;
    `repeat_days`: a complaint that comes back within so many days after a fix counts as a repeat; `shared`: URL of the
    shared log that closed cases are copied to; `writer`: this user's mark in a shared log."""

    technician: str = ""
    bench: str = "bench"
    lab: str = ""
    shared: str = ""
    currency: str = "EUR"
    prices: dict[str, float] = field(default_factory=dict)
    hour_price: float = 0.0
    repeat_days: int = 30
    writer: str = ""

    @classmethod
    def kept(cls) -> Settings:
        """The settings of the data folder; SettingsError when the file cannot be read."""
        path = _path()
        try:
            raw: Any = json.loads(path.read_text("utf-8"))
            known = {f.name for f in fields(cls)}
            found = cls(**{k: v for k, v in raw.items() if k in known})
            found._fit()
        except FileNotFoundError:
            found = cls()
        except (OSError, ValueError, TypeError, AttributeError) as error:
            raise SettingsError(f"{path} cannot be read ({error}): mend it or put it aside") from None
        if not found.writer:
            found.writer = "".join(secrets.choice(_LETTERS) for _ in range(10))
            found.keep()
        return found

    def _fit(self) -> None:
        """TypeError when a value is of another kind than its field."""
        for each in fields(self):
            value, kind = getattr(self, each.name), type(each.default) if each.name != "prices" else dict
            if not isinstance(value, (int, float) if kind in (int, float) else kind) or isinstance(value, bool):
                raise TypeError(f"'{each.name}' is no {kind.__name__}")
        if not all(isinstance(v, (int, float)) for v in self.prices.values()):
            raise TypeError("'prices' holds what is no number")

    @property
    def who(self) -> str:
        """The technician's name: as set, or the name of the user logged in."""
        if self.technician:
            return self.technician
        try:
            return getpass.getuser()
        except (OSError, KeyError):
            return "unknown"

    def put(self, key: str, text: str) -> None:
        """Set one of them from text, such as ('price.zirconia', '14.50'); a price without text is taken out.

        SettingsError when it does not fit.
        """
        name, _, material = key.partition(".")
        if name == "price" and material and not text.strip():
            self.prices.pop(material, None)
        elif name == "price" and material:
            self.prices[material] = _money(key, text)
        elif key == "hour_price":
            self.hour_price = _money(key, text)
        elif key == "repeat_days":
            if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 3650:
                raise SettingsError(f"repeat_days: '{text}' is no number of days from 1 to 3650")
            self.repeat_days = int(text)
        elif key in ("technician", "bench", "lab", "shared", "currency"):
            if key == "bench" and ("/" in text or not text.strip()):
                raise SettingsError("bench: give a name without '/'")
            setattr(self, key, text.strip())
        else:
            known = "technician, bench, lab, shared, currency, price.MATERIAL, hour_price, repeat_days"
            raise SettingsError(f"there is no setting '{key}'; settings: {known}")

    def keep(self) -> None:
        """Write them down; the old file stays whole until the new one is."""
        path = _path()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=path.parent, prefix=".settings-")
            try:
                with os.fdopen(handle, "w", encoding="utf-8") as file:
                    json.dump(asdict(self), file, indent=1, ensure_ascii=False)
                    file.flush()
                    os.fsync(file.fileno())
                os.replace(name, path)
            finally:
                Path(name).unlink(missing_ok=True)
        except OSError as error:
            raise SettingsError(f"{path} cannot be written: {error.strerror or error}") from None


def _path() -> Path:
    return data_home() / "settings.json"


def _money(key: str, text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e9:
        raise SettingsError(f"{key}: '{text}' is no amount of money; write a number such as 14.50")
    return value
