"""What every record of the knowledge is made of: the frozen base, the kinds of text and number, limits of a reading."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema, model_validator

__all__ = ["Bound", "BoundField", "Evidence", "Id", "Line", "Minutes", "Record", "Seen", "Signal", "Text", "Words"]

Id = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$", max_length=48)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=2, max_length=400)]
Line = Annotated[str, StringConstraints(strip_whitespace=True, min_length=2, max_length=110)]
Minutes = Annotated[float, Field(ge=0, le=600)]
Seen = Annotated[str, StringConstraints(pattern=r"^([a-z][a-z ]*|\d+/[1-9]\d*)$")]
Evidence = Literal["counted", "stated", "judged"]
Signal = Literal["danger", "warning", "caution", "notice"]

_FILLER = {"unknown", "n/a", "na", "tbd", "todo", "none", "-", "?", "unlikely", "various"}


class Record(BaseModel):
    """Base of every record: frozen, and any field it does not know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    @model_validator(mode="before")
    @classmethod
    def _no_filler(cls, data: Any) -> Any:
        if isinstance(data, dict):
            for key in ("because", "why", "confuse", "expect", "text"):
                value = data.get(key)
                if isinstance(value, str) and value.strip().lower() in _FILLER:
                    raise ValueError(f"'{key}: {value}' says nothing: leave the field out or say what is known")
        return data


@dataclass(frozen=True)
class Bound:
    """A limit of a reading in the check's own unit: a number, or a factor times a field of the mill's profile."""

    value: float | None = None
    factor: float = 1.0
    profile: str | None = None

    def resolve(self, profile: dict[str, Any]) -> float:
        """The limit as a number in the check's unit, `profile` holding the mill's own values."""
        if self.value is not None:
            return self.value
        return self.factor * float(profile[str(self.profile)])


_PROFILE_BOUND = re.compile(r"^(?:(\d+(?:\.\d+)?) x )?([a-z][a-z_]*)$")


def _bound(raw: Any) -> Any:
    if isinstance(raw, Bound):
        return raw
    text = str(raw).strip()
    try:
        return Bound(value=float(text))
    except ValueError:
        pass
    if match := _PROFILE_BOUND.match(text):
        return Bound(factor=float(match[1] or 1), profile=match[2])
    raise ValueError(f"'{text}' is no limit: write a number in the check's unit, or '0.9 x inlet_pressure'")


BoundField = Annotated[
    Bound,
    BeforeValidator(_bound),
    WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "string", "pattern": r"^(\d+(\.\d+)? x )?[a-z][a-z_]*$"}]}),
]


def _words(raw: Any) -> Any:
    return (raw,) if isinstance(raw, str) else raw


Words = Annotated[
    tuple[str, ...],
    BeforeValidator(_words),
    Field(min_length=1),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}),
]
