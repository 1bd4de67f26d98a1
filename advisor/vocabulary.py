"""The closed word lists of the knowledge: classes of frequency, error rates, systems, settings, the mill's own values."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from advisor.record import Id, Line, Minutes, Record

__all__ = [
    "FrequencyClass",
    "MillField",
    "Named",
    "Preparation",
    "Reporting",
    "SettingField",
    "Unlisted",
    "Vocabulary",
]


class Preparation(Record):
    """Something several checks need first (open the cabin, drain the bath): its minutes are paid once."""

    id: Id
    text: Line
    minutes: Minutes
    breaks: tuple[Id, ...] = ()


class SettingField(Record):
    """A question about the circumstances, asked once and always skippable."""

    id: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z_]*$")]
    ask: Line
    choices: tuple[str, ...] = ()
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    profile: bool = False


class MillField(Record):
    """A value of the mill's own papers, with the common-practice default."""

    id: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z_]*$")]
    ask: Line
    unit: str
    default: float
    low: float
    high: float
    source: Id


class FrequencyClass(Record):
    """A word, the share of cases it stands for, and the bounds it covers, all in 0..1."""

    word: str
    share: Annotated[float, Field(ge=0, le=1)]
    low: Annotated[float, Field(ge=0, le=1)]
    high: Annotated[float, Field(ge=0, le=1)]


class Reporting(Record):
    """Error rates of one kind of check: `miss` an abnormal result goes unseen, `alarm` a sound one is reported bad,
    `no_answer` the technician cannot tell."""

    kind: Literal["ask", "look", "measure", "trial"]
    miss: Annotated[float, Field(ge=0, lt=0.5)]
    alarm: Annotated[float, Field(ge=0, lt=0.5)]
    no_answer: Annotated[float, Field(ge=0, lt=1)]


class Unlisted(Record):
    """The standing hypothesis "none of the known causes": prior per 100, and how often it shows a symptom, a check."""

    per_hundred: float
    symptom: Annotated[float, Field(gt=0, lt=1)]
    check: Annotated[float, Field(gt=0, lt=1)]
    refer_minutes: float


class Named(Record):
    """An id with its plain name (systems, families, hazards)."""

    id: Id
    title: Line


class Vocabulary(Record):
    """The closed word lists of the base. `words`: words of the trade that a common dictionary lacks."""

    frequency: tuple[FrequencyClass, ...]
    reporting: tuple[Reporting, ...]
    unlisted: Unlisted
    overhead_minutes: Annotated[float, Field(ge=0, le=10)] = 0.0
    systems: tuple[Named, ...]
    families: tuple[Named, ...]
    hazards: tuple[Named, ...]
    preparations: tuple[Preparation, ...]
    setting: tuple[SettingField, ...]
    mill: tuple[MillField, ...]
    words: tuple[str, ...] = ()

    def share(self, seen: str) -> float:
        """The share in 0..1 a `seen` text stands for: a class word, or n/m as the mean of Beta(1+n, 1+m-n).

        Raises KeyError for an unknown word, ValueError for n > m.
        """
        if "/" in seen:
            n, m = (int(part) for part in seen.split("/"))
            if n > m:
                raise ValueError(f"'{seen}': more seen than looked at")
            return (n + 1) / (m + 2)
        for each in self.frequency:
            if each.word == seen:
                return each.share
        raise KeyError(seen)
