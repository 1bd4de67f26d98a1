"""Filling in and showing a mill's profile. The machine's own papers come first; a default is always marked as one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from advisor.compiled import Compiled
from advisor.dialogue import clean
from advisor.issue import nearest
from advisor.mills import Mill, MillError
from advisor.readings import ReadingError, convert, parse_number
from advisor.session import CaseError, parse_setting

if TYPE_CHECKING:
    from advisor.console import Desk

__all__ = ["apply_value", "describe", "fill_in"]

POSITIONS = 8


def apply_value(compiled: Compiled, mill: Mill, pair: str) -> None:
    """Set one `field=value` of a profile. Raises MillError with the nearest field or the allowed range."""
    key, found, value = pair.partition("=")
    key, value = key.strip(), clean(value)
    if not found or not value:
        raise MillError(f"'{pair}': write field=value, such as inlet_pressure='5.5 bar'")
    remembered = {f.id: f for f in compiled.kb.vocabulary.setting if f.profile}
    if key in compiled.mill_fields:
        mill.values[key] = _number(compiled, key, value)
    elif key in remembered:
        try:
            parse_setting(remembered[key], value)
        except CaseError as error:
            raise MillError(str(error)) from None
        mill.setting[key] = value
    elif key.startswith("burr."):
        position = key.removeprefix("burr.")
        if not (position.isascii() and position.isdigit()) or not 1 <= int(position) <= POSITIONS:
            raise MillError(f"'{key}': burr positions are burr.1 to burr.{POSITIONS}")
        mill.burrs[position] = value
    elif key == "bench":
        names = [v.strip() for v in value.split(",") if v.strip()]
        if names == ["all"]:
            mill.bench = None
            return
        known = _real(compiled)
        for name in names:
            if name not in known:
                hint = nearest(name, known) or "known: " + ", ".join(known)
                raise MillError(f"there is no instrument '{name}'; {hint}")
        mill.bench = names
    else:
        fields = [*compiled.mill_fields, *remembered, "burr.1", "bench"]
        raise MillError(f"there is no field '{key}'; {nearest(key, fields) or 'fields: ' + ', '.join(fields)}")


def _real(compiled: Compiled) -> list[str]:
    """Instruments that a bench may lack."""
    return [i.id for i in compiled.kb.instruments.values() if not i.always and not i.made_with]


def _number(compiled: Compiled, key: str, text: str) -> float:
    entry = compiled.mill_fields[key]
    ratio = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*:\s*(\d+(?:[.,]\d+)?)", text)
    if ratio and entry.unit == "%":
        # 10:1 and 1:10 both mean ten parts of water to one of concentrate.
        parts = sorted(float(p.replace(",", ".")) for p in ratio.groups())
        text = f"{100 * parts[0] / max(sum(parts), 1e-9):.6g}"
    try:
        value, unit = parse_number(text)
        if unit:
            value = convert(value, unit, entry.unit)
    except ReadingError as error:
        raise MillError(f"{key}: {error}") from None
    if not entry.low <= value <= entry.high:
        raise MillError(f"{key}: {value:g} {entry.unit} is outside {entry.low:g} to {entry.high:g} {entry.unit}")
    return round(value, 9)


def fill_in(compiled: Compiled, mill: Mill, desk: Desk) -> None:
    """Ask for each value at the terminal; Enter keeps what stands. Paused leaves with what was given so far."""
    desk.say(f"Mill {mill.name}: values from the machine's own papers. Enter keeps what stands in brackets.", "head")
    for entry in compiled.kb.vocabulary.mill:
        stands = (
            f"{mill.values[entry.id]:g} {entry.unit}"
            if entry.id in mill.values
            else f"{entry.default:g} {entry.unit}, common practice"
        )
        _ask(desk, f"{entry.ask} [{stands}] ", lambda text, key=entry.id: apply_value(compiled, mill, f"{key}={text}"))
    for field in (f for f in compiled.kb.vocabulary.setting if f.profile):
        hint = mill.setting.get(field.id) or "/".join(field.choices) or "number"
        _ask(desk, f"{field.ask} [{hint}] ", lambda text, key=field.id: apply_value(compiled, mill, f"{key}={text}"))
    desk.say("Burrs by position, by geometry and diameter, such as 'finishing, ball 1 mm'. Enter ends.", "dim")
    for position in map(str, range(1, POSITIONS + 1)):
        if (
            not _ask(
                desk,
                f"Burr {position} [{mill.burrs.get(position, 'none')}] ",
                lambda text, key=position: apply_value(compiled, mill, f"burr.{key}={text}"),
            )
            and position not in mill.burrs
        ):
            break
    desk.say("Instruments to have: " + ", ".join(_real(compiled)) + ".", "dim")
    _ask(
        desk,
        f"Which are here? Separate with commas, or all [{', '.join(mill.bench) if mill.bench is not None else 'all'}] ",
        lambda text: apply_value(compiled, mill, f"bench={text}"),
    )


def _ask(desk: Desk, prompt: str, apply: object) -> bool:
    while True:
        text = clean(desk.ask(prompt))
        if not text:
            return False
        try:
            apply(text)  # type: ignore[operator]
            return True
        except MillError as error:
            desk.say(str(error), "warn")


def describe(compiled: Compiled, mill: Mill) -> str:
    """The profile to read, each default marked."""
    lines = [f"Mill {mill.name}"]
    for entry in compiled.kb.vocabulary.mill:
        if entry.id in mill.values:
            lines.append(f"  {entry.ask}: {mill.values[entry.id]:g} {entry.unit}  [{entry.id}]")
        else:
            lines.append(
                f"  {entry.ask}: {entry.default:g} {entry.unit}  [{entry.id}] (default: common practice, no source; check the machine's papers)"
            )
    for field in (f for f in compiled.kb.vocabulary.setting if f.profile):
        lines.append(f"  {field.ask} {mill.setting.get(field.id, 'not given')}  [{field.id}]")
    for position, burr in sorted(mill.burrs.items()):
        lines.append(f"  Burr {position}: {burr}")
    lines.append("  Instruments: " + (", ".join(mill.bench) if mill.bench is not None else "all"))
    return "\n".join(lines)
