"""Profiles of mills: what stands in the machine's own papers, filled in once and remembered (`mills.json`)."""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["Mill", "MillBook", "MillError"]


class MillError(Exception):
    """The profiles cannot be read or written, or a name or value does not fit; the text says what to do."""


@dataclass
class Mill:
    """One mill. `values`: profile field -> number in the field's unit; a field not given keeps its marked default.

    `setting`: remembered settings (process, spindles). `burrs`: position -> burr, by geometry and diameter.
    `bench`: ids of the instruments at hand, or None when all may be.
    """

    name: str
    values: dict[str, float] = field(default_factory=dict)
    setting: dict[str, str] = field(default_factory=dict)
    burrs: dict[str, str] = field(default_factory=dict)
    bench: list[str] | None = None


class MillBook:
    """All profiles of a data folder."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "mills.json"
        self.mills: dict[str, Mill] = {}
        self.last: str | None = None
        try:
            raw: Any = json.loads(self.path.read_text("utf-8"))
            self.mills = {m["name"]: Mill(**m) for m in raw["mills"]}
            self.last = raw.get("last")
        except FileNotFoundError:
            pass
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise MillError(f"{self.path} cannot be read ({error}): mend it or put it aside") from None

    def get(self, name: str | None) -> Mill | None:
        """The mill of that name; the last one used when no name is given. MillError for an unknown name."""
        if name is None:
            return self.mills.get(self.last or "")
        if name not in self.mills:
            known = ", ".join(sorted(self.mills)) or "none yet"
            raise MillError(f"there is no mill '{name}' (known: {known}); make it with: advisor mill {name}")
        return self.mills[name]

    def put(self, mill: Mill) -> None:
        """Keep a profile and make it the last one used."""
        self.mills[mill.name] = mill
        self.last = mill.name
        self._save()

    def _save(self) -> None:
        text = json.dumps(
            {"last": self.last, "mills": [asdict(m) for m in self.mills.values()]}, indent=1, ensure_ascii=False
        )
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=self.path.parent, prefix=".mills-")
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, self.path)
        except OSError as error:
            raise MillError(f"{self.path} cannot be written: {error.strerror or error}") from None
