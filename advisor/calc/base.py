"""What a bench calculation is: inputs with units, figures, working, limits, a picture. Records only; no arithmetic."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

__all__ = [
    "CalcError",
    "CalcErrors",
    "Calculation",
    "Class",
    "Curve",
    "Figure",
    "Given",
    "Input",
    "Limit",
    "Plot",
    "Worked",
    "deviation",
    "nominal",
    "put",
]

Number = Any  # a float, or an uncertain number of the `uncertainties` library


class CalcError(ValueError):
    """An input that cannot be used; `field` is its id, the text says what is wrong and what is allowed."""

    def __init__(self, field: str, text: str) -> None:
        super().__init__(text)
        self.field = field


class CalcErrors(CalcError):
    """Several problems at once, in `problems`."""

    def __init__(self, problems: Sequence[CalcError]) -> None:
        self.problems = list(problems)
        super().__init__(self.problems[0].field, "\n".join(str(p) for p in self.problems))


@dataclass(frozen=True)
class Input:
    """One thing the technician reads off, counts or copies from a plate.

    `unit` is what `work` receives and what a bare number is taken in; `low` and `high` are in it. The doubt of a number
    comes from `instrument` (an id of the catalogue), or is `percent` of the value (plates, papers, guesses); with
    neither it is exact. `several`: least and most readings, typed with spaces between. `columns`: a table, one row a
    line; in it a column with the id `name` is free text. `choices`: a word. `default` is used when nothing is typed, `profile` names the field of the mill's profile
    whose value goes before it; `optional` ones may stay away.
    """

    id: str
    symbol: str
    ask: str
    unit: str = "1"
    low: float = -math.inf
    high: float = math.inf
    instrument: str | None = None
    percent: float | None = None
    default: str | None = None
    profile: str | None = None
    optional: bool = False
    choices: tuple[str, ...] = ()
    several: tuple[int, int] | None = None
    columns: tuple[Input, ...] = ()
    source: str = "common-practice"

    @property
    def option(self) -> str:
        """Its name on the command line and in answers files."""
        return self.id.replace("_", "-")

    @property
    def required(self) -> bool:
        """True when nothing stands in for it."""
        return not self.optional and self.default is None and self.profile is None

    @property
    def range_text(self) -> str:
        """What is allowed, in words."""
        if self.columns:
            return "a line for each: " + ", ".join(c.range_text_short for c in self.columns)
        if self.choices:
            return "one of " + ", ".join(self.choices)
        count = f"{_count(self.several)} numbers, " if self.several else ""
        unit = "" if self.unit == "1" else f" {self.unit}"
        if math.isinf(self.low) or math.isinf(self.high):
            return f"{count}a number{unit and ' in' + unit}"
        return f"{count}{self.low:g} to {self.high:g}{unit}"

    @property
    def range_text_short(self) -> str:
        """Its name and unit, for the head of a table."""
        return self.ask + ("" if self.unit == "1" or self.choices else f" [{self.unit}]")


def _count(several: tuple[int, int]) -> str:
    low, high = several
    return str(low) if low == high else f"{low} to {high}"


@dataclass(frozen=True)
class Figure:
    """A result: the first of a calculation is the one it is asked for."""

    id: str
    symbol: str
    label: str
    unit: str = "1"


@dataclass(frozen=True)
class Class:
    """One of the answers of a calculation that tells things apart (which part is at fault)."""

    id: str
    label: str


@dataclass(frozen=True)
class Limit:
    """Where a figure should lie, in the figure's unit: low <= figure < high."""

    figure: str
    label: str
    low: float = -math.inf
    high: float = math.inf
    source: str = "common-practice"


@dataclass(frozen=True)
class Curve:
    """Points of a picture; `style` is line, steps or dots."""

    label: str
    x: Sequence[float]
    y: Sequence[float]
    style: str = "line"


@dataclass(frozen=True)
class Plot:
    """A picture worth looking at. `levels` are marked heights (limits), with their names."""

    title: str
    x: str
    y: str
    curves: tuple[Curve, ...]
    levels: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Worked:
    """What came out. `figures` by id, each in its unit; `lines` the formula with the numbers put in; `classes` the
    probability of each class (sums to 1); `says` what it means and what to do, most important first."""

    figures: Mapping[str, Number]
    lines: tuple[str, ...]
    limits: tuple[Limit, ...] = ()
    classes: Mapping[str, float] = field(default_factory=dict)
    says: tuple[str, ...] = ()
    plot: Plot | None = None


class Given(Mapping[str, Any]):
    """The inputs of one run, by id. `g["id"]` is a number (uncertain where read), None when an optional one is
    missing, a word, a list of numbers, or a list of rows (each a dict by column id)."""

    def __init__(self, values: Mapping[str, Any], units: Mapping[str, str]) -> None:
        self._values, self._units = values, units

    def __getitem__(self, key: str) -> Any:
        return self._values[key]

    def __iter__(self) -> Any:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def put(self, key: str, digits: int = 4) -> str:
        """A number of the inputs with its unit, for the working."""
        return put(self._values[key], self._units[key], digits)


@dataclass(frozen=True)
class Calculation:
    """A bench calculation. `work` is pure: it gets the inputs in their units and returns what came out; it raises
    CalcError for inputs that do not go together. `hazards` call up cautions before anything is measured. `example` is
    one run of an invented lab, as typed; it is shown by `--example` and tried by the tests."""

    id: str
    title: str
    subject: str
    answers: str
    inputs: tuple[Input, ...]
    figures: tuple[Figure, ...]
    work: Callable[[Given], Worked]
    sources: tuple[str, ...]
    example: Mapping[str, Any]
    classes: tuple[Class, ...] = ()
    hazards: tuple[str, ...] = ()

    def input(self, key: str) -> Input:
        """The input of that id or option name; KeyError if there is none."""
        wanted = key.replace("-", "_")
        for each in self.inputs:
            if each.id == wanted:
                return each
        raise KeyError(key)

    def figure(self, key: str) -> Figure:
        """The figure of that id; KeyError if there is none."""
        for each in self.figures:
            if each.id == key:
                return each
        raise KeyError(key)


def nominal(number: Number) -> float:
    """The value of a number, uncertain or not."""
    value: Any = getattr(number, "nominal_value", number)
    return float(value)


def deviation(number: Number) -> float:
    """The standard uncertainty of a number; 0 for an exact one."""
    value: Any = getattr(number, "std_dev", 0.0)
    return float(value)


def put(number: Number, unit: str = "1", digits: int = 4) -> str:
    """A number with its unit as people write it: '24 L', '0.4 MPa', '9.1 %'; at most `digits` significant figures, but
    never less than all those of a whole number."""
    value = nominal(number)
    text = _plain(value, digits)
    return text if unit == "1" else f"{text} {unit}"


def _plain(value: float, digits: int) -> str:
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    size = math.floor(math.log10(abs(value)))
    if size >= 7 or size < -6:
        return f"{value:.{digits - 1}e}".replace("e-0", "e-").replace("e+0", "e").replace("e+", "e")
    places = max(digits - 1 - size, 0)
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
