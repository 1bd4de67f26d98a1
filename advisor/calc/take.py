"""Typed inputs -> numbers with doubt. Every problem of all inputs is reported in one go."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from uncertainties import ufloat

from advisor.calc.base import CalcError, CalcErrors, Calculation, Given, Input, Number, put
from advisor.issue import nearest
from advisor.model import Instrument
from advisor.readings import ReadingError, convert, parse_number, read_value, standard_uncertainty, unit_name

__all__ = ["Taken", "Taker", "read_input", "shown", "take"]


@dataclass(frozen=True)
class Taken:
    """One input as used: what stood there (`typed`), where it came from (typed, default, profile, fixed) and, for a
    number, its value and standard uncertainty in the input's unit."""

    input: Input
    typed: Any
    origin: str
    value: Any
    instruments: tuple[str, ...] = ()


@dataclass
class Taker:
    """Turns values into uncertain numbers. Readings on one instrument share its systematic error."""

    instruments: Mapping[str, Instrument]
    shared: dict[str, Number] = field(default_factory=dict)

    def number(self, value: float, spec: Input, instrument: str | None, series: bool = False) -> Number:
        """`value` in the input's unit with its standard uncertainty.

        An instrument's largest permissible error is a rectangular half-width (JCGM 100, 4.3.7). The part that two
        readings on it have in common (JCGM 100, F.1.2.3) is what is left when `difference_error`, the largest error of
        a difference, is taken out; without that figure the readings of a series share the whole error, so that a mean
        is never made out to be better than the instrument, and single readings share nothing.
        """
        if instrument is None:
            u = abs(value) * (spec.percent or 0.0) / 100 / math.sqrt(3)
            return ufloat(value, u, spec.id) if u else value
        record = self.instruments[instrument]
        total = standard_uncertainty(record, value, spec.unit)
        own = total
        if record.difference_error is not None:
            scale = abs(convert(1.0, record.unit, spec.unit) - convert(0.0, record.unit, spec.unit))
            rounding = record.resolution * scale / math.sqrt(12)  # two readings never have their rounding in common
            own = min(total, max(record.difference_error * scale / math.sqrt(6), rounding))
        elif series:
            scale = abs(convert(1.0, record.unit, spec.unit) - convert(0.0, record.unit, spec.unit))
            own = min(total, record.resolution * scale / math.sqrt(12))
        common = math.sqrt(max(total**2 - own**2, 0.0))
        number: Number = ufloat(value, own, spec.id) if own else value
        if common:
            key = record.id if record.difference_error is not None else f"{record.id} {spec.id}"
            number = number + common * self.shared.setdefault(key, ufloat(0.0, 1.0, record.id))
        return number


def take(
    calc: Calculation,
    typed: Mapping[str, Any],
    instruments: Mapping[str, Instrument],
    profile: Mapping[str, float] | None = None,
    fixed: Mapping[str, str] | None = None,
    profile_units: Mapping[str, str] | None = None,
) -> tuple[Given, dict[str, Taken]]:
    """All inputs of a run. `fixed` are set by a check and go before what is typed; the mill's `profile` and defaults
    come last. Raises CalcErrors (a list in `.problems`) for every input that is missing, unknown or out of range."""
    taker = Taker(instruments)
    problems: list[CalcError] = []
    for key in typed:
        try:
            calc.input(key)
        except KeyError:
            names = [i.option for i in calc.inputs]
            problems.append(
                CalcError(
                    key, f"{calc.id} has no input '{key}'; {nearest(key, names) or 'inputs: ' + ', '.join(names)}"
                )
            )
    given = {calc.input(k).id: v for k, v in typed.items() if not any(p.field == k for p in problems)}
    fast = {k.replace("-", "_"): v for k, v in (fixed or {}).items()}
    taken: dict[str, Taken] = {}
    for spec in calc.inputs:
        value, origin = given.get(spec.id), "typed"
        if spec.id in fast:
            value, origin = fast[spec.id], "fixed"
        if _blank(value) and spec.profile and profile and spec.profile in profile:
            unit = (profile_units or {}).get(spec.profile, spec.unit)
            value, origin = f"{profile[spec.profile]!r} {'' if unit == '1' else unit}".strip(), "profile"
        if _blank(value):
            value, origin = spec.default, "default"
        if _blank(value):
            if spec.optional:
                taken[spec.id] = Taken(spec, "", "missing", [] if spec.columns or spec.several else None)
            else:
                problems.append(CalcError(spec.id, f"{spec.option} is missing: {spec.ask} ({spec.range_text})"))
            continue
        try:
            taken[spec.id] = read_input(spec, value, taker, origin)
        except CalcError as error:
            problems.append(error)
    if problems:
        raise CalcErrors(problems)
    return Given({k: t.value for k, t in taken.items()}, {i.id: i.unit for i in calc.inputs}), taken


def _blank(value: Any) -> bool:
    return value is None or (isinstance(value, str) and not value.strip()) or value in ([], ())


def read_input(spec: Input, typed: Any, taker: Taker, origin: str = "typed") -> Taken:
    """One input from what was typed: a text, or a list of texts for a series or a table. CalcError if it cannot be."""
    if spec.columns:
        rows = typed if isinstance(typed, list | tuple) else [r for r in str(typed).split("\n") if r.strip()]
        low, high = spec.several or (1, 200)
        if not low <= len(rows) <= high:
            raise CalcError(
                spec.id,
                f"{spec.option}: {len(rows)} line{'s' if len(rows) != 1 else ''} given, {'' if low == high else f'{low} to '}{high} are needed",
            )
        used: list[str] = []
        return Taken(
            spec,
            [str(r) for r in rows],
            origin,
            [_row(spec, str(r), n, taker, used) for n, r in enumerate(rows, 1)],
            tuple(dict.fromkeys(used)),
        )
    text = " ".join(str(t) for t in typed) if isinstance(typed, list | tuple) else str(typed)
    if spec.choices:
        return Taken(spec, text, origin, _word(spec, text))
    text, instrument = _instrument(spec, text, taker)
    if origin != "typed" and "@" not in str(typed):
        instrument = None  # nobody read it
    used = [instrument] if instrument else []
    if spec.several:
        low, high = spec.several
        values = [_value(spec, part) for part in _split(text)]
        if not low <= len(values) <= high:
            raise CalcError(
                spec.id,
                f"{spec.option}: {len(values)} number{'s' if len(values) != 1 else ''} given, {'' if low == high else f'{low} to '}{high} are needed",
            )
        return Taken(
            spec, str(typed), origin, [taker.number(v, spec, instrument, series=True) for v in values], tuple(used)
        )
    return Taken(
        spec,
        text if not instrument else str(typed),
        origin,
        taker.number(_value(spec, text), spec, instrument),
        tuple(used),
    )


def _instrument(spec: Input, text: str, taker: Taker) -> tuple[str, str | None]:
    """The text before '@' and the instrument after it, or the usual one."""
    body, sign, name = (part.strip() for part in text.partition("@"))
    if not sign:
        return body, spec.instrument
    if name not in taker.instruments:
        raise CalcError(
            spec.id,
            f"{spec.option}: '{name[:30]}' is no instrument here; {nearest(name, taker.instruments) or 'see: advisor knowledge list instruments'}",
        )
    try:
        convert(1.0, taker.instruments[name].unit, spec.unit)
    except ReadingError:
        raise CalcError(spec.id, f"{spec.option}: the instrument '{name}' does not read in {spec.unit}") from None
    return body, name


def _value(spec: Input, text: str) -> float:
    try:
        parse_number(text)
    except ReadingError as error:
        said = str(error)
        if said.startswith("type a number"):
            said = f"'{text[:20]}' is no number: type one such as {_sample(spec)}"
        raise CalcError(spec.id, f"{spec.option}: {said}") from None
    try:
        return read_value(text, spec.unit, spec.low, spec.high)
    except ReadingError as error:
        raise CalcError(spec.id, f"{spec.option}: {error}") from None


def _sample(spec: Input) -> str:
    """A number in the middle of the range, with its unit."""
    low, high = spec.low, spec.high
    if math.isinf(low) or math.isinf(high):
        return put(1, spec.unit)
    return put(math.sqrt(low * high) if low > 0 else (low + high) / 2, spec.unit, 2)


def _word(spec: Input, text: str) -> str:
    lowered = text.strip().lower()
    if lowered.isascii() and lowered.isdigit() and 1 <= int(lowered[:4]) <= len(spec.choices):
        return spec.choices[int(lowered) - 1]
    hits = [c for c in spec.choices if c == lowered] or [c for c in spec.choices if lowered and c.startswith(lowered)]
    if len(hits) != 1:
        raise CalcError(spec.id, f"{spec.option}: '{text.strip()[:30]}' is none of {', '.join(spec.choices)}")
    return hits[0]


_NUMERIC = re.compile(r"[+\-\u2212]?[.,]?\d")


def _split(text: str) -> list[str]:
    """'3.1 3.2; 3,3 mm' -> ['3.1 mm', '3.2 mm', '3,3 mm']: numbers with the unit that follows them, or the last one."""
    parts: list[str] = []
    for token in re.split(r"[;\s]+|,\s+", text.replace("\u00a0", " ").strip(" ;,")):
        if not token:
            continue
        if not parts or (_NUMERIC.match(token) and not token.startswith("1/")):  # 1/min is a unit
            parts.append(token)
        else:
            parts[-1] = f"{parts[-1]} {token}"
    try:
        unit = parse_number(parts[-1])[1] if parts else ""
    except ReadingError:
        unit = ""
    return [p if not unit or re.search(r"[^\d.,+\-\u2212eE]", p) else f"{p} {unit}" for p in parts]


def _row(spec: Input, text: str, place: int, taker: Taker, used: list[str]) -> dict[str, Any]:
    """One line of a table. Columns are split at '|', or at blanks; a last column with several readings takes the rest."""
    columns = spec.columns
    cells = [c.strip() for c in text.split("|")] if "|" in text else _cells(columns, text)
    while "|" in text and len(cells) > len(columns) and not cells[-1]:
        cells.pop()  # a stroke at the end of the line
    if len(cells) > len(columns):
        if "|" in text or not columns[-1].several:
            raise CalcError(
                spec.id,
                f"{spec.option}, line {place}: '{text[:40]}' has {len(cells)} parts; needed: {', '.join(c.range_text_short for c in columns)}",
            )
        cells = [*cells[: len(columns) - 1], " ".join(cells[len(columns) - 1 :])]
    row: dict[str, Any] = {}
    for column, cell in zip(columns, [*cells, *[""] * (len(columns) - len(cells))], strict=False):
        content = cell or column.default or ""
        if not content:
            if column.optional:
                row[column.id] = [] if column.several else None
                continue
            raise CalcError(spec.id, f"{spec.option}, line {place}: {column.ask} is missing ({column.range_text})")
        try:
            if column.id == "name":  # free text
                row["name"] = content[:40]
                continue
            taken = read_input(column, content, taker, "typed" if cell else "default")
        except CalcError as error:
            raise CalcError(spec.id, f"{spec.option}, line {place}: {error}") from None
        used += taken.instruments
        row[column.id] = taken.value
    return row


def _cells(columns: tuple[Input, ...], text: str) -> list[str]:
    """A line split at blanks. A unit stays with the number before it, unless a word is due in its place."""
    tokens = re.split(r"[;\s]+", re.sub(r"\s*@\s*", "@", text.strip()))
    for place, column in enumerate(columns):
        if place + 1 >= len(tokens):
            break
        after = tokens[place + 1]
        due = columns[place + 1] if place + 1 < len(columns) else None
        word_due = due is not None and not _numeric(due) and len(tokens) <= len(columns)
        if _numeric(column) and not column.several and not word_due and not _NUMERIC.match(after) and _is_unit(after):
            tokens[place : place + 2] = [f"{tokens[place]} {after}"]
    return tokens


def _numeric(column: Input) -> bool:
    return not column.choices and column.id != "name"


def _is_unit(text: str) -> bool:
    try:
        unit_name(text)
    except ReadingError:
        return False
    return True


def shown(taken: Taken, room: int = 79) -> str:
    """An input's value as used, for the sheet: with its unit, the first readings of a series, the number of lines; of
    a series as many as `room` columns hold."""
    if taken.origin == "missing":
        return "not given"
    if taken.input.columns:
        return f"{len(taken.value)} line{'s' if len(taken.value) != 1 else ''}"
    if taken.input.choices:
        return str(taken.value)
    unit = taken.input.unit
    if taken.input.several:
        readings = [put(v, digits=5) for v in taken.value]
        tail = f"{'' if unit == '1' else ' ' + unit} ({len(readings)})"
        for count in range(min(8, len(readings)), 0, -1):
            text = " ".join(readings[:count]) + (" ..." if count < len(readings) else "") + tail
            if len(text) <= room:
                break
        return text
    return put(taken.value, unit, 6)
