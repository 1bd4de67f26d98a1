"""What goes on paper and pages: typed text made harmless, times and numbers with units as print writes them, templates."""

from __future__ import annotations

import re
import unicodedata
from typing import Any

from advisor.dialogue import clean

__all__ = ["ENDINGS", "INVENTED", "moment", "quantity", "rendered", "safe", "shown_unit", "with_signs"]

INVENTED = "INVENTED DATA: an example, no real case"
ENDINGS = {
    "confirmed": "confirmed",
    "fixed-unproven": "fixed, cause not proven",
    "referred": "handed over",
    "open": "left open",
}
"""How a case ended, in words."""

_UNITS = {"um": "µm", "degC": "°C", "deg": "°", "1": "", "mm2": "mm²", "m3": "m³"}
_ALL = 1_000_000  # characters: texts were cut before they came to a template
_ACCENTS = "[\u0300-\u036f\u0483-\u0489\u1ab0-\u1aff\u1dc0-\u1dff\u20d0-\u20ff]"
_PILED = re.compile(f"({_ACCENTS}{{3}}){_ACCENTS}+")


def safe(text: object, longest: int = 4000) -> str:
    """Typed text harmless to print: no control characters and direction overrides (`advisor.dialogue.clean`), no piles
    of accents on one letter, at most `longest` characters and a remark. None gives an empty text."""
    plain = clean(unicodedata.normalize("NFC", str("" if text is None else text)))
    plain = _PILED.sub(r"\1", plain)
    if len(plain) <= longest:
        return plain
    return f"{plain[:longest].rstrip()} … ({len(plain)} characters, the rest is in the log)"


def moment(at: str | None) -> str:
    """An ISO time as date and minute; anything else as it is."""
    text = safe(at, 40)
    return text[:16].replace("T", " ") if re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d", text) else text


def shown_unit(unit: str | None) -> str:
    """A unit as print writes it (µm, °C); nothing for the unit 1."""
    text = safe(unit or "", 20)
    return _UNITS.get(text, text)


def quantity(value: float, unit: str | None, digits: int = 6) -> str:
    """A number of at most `digits` digits with its unit."""
    sign = shown_unit(unit)
    return f"{value:.{digits}g}{'' if sign in ('', '°') else ' '}{sign}"


def with_signs(text: str) -> str:
    """A sentence of ours with its units as print writes them: 10 um becomes 10 µm."""
    return re.sub(r"(?<=\d )(um|degC)\b", lambda unit: _UNITS[unit[0]], text)


def rendered(template: str, **values: Any) -> str:
    """A page out of a template of `advisor/paper/pages`. Every text is made harmless and escaped; an unknown name is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    pages = Environment(
        loader=PackageLoader("advisor.paper", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: safe(value, _ALL) if isinstance(value, str) and not isinstance(value, Markup) else value,
    )
    return pages.get_template(template).render(**values)
