"""Bench calculations: from readings with units to a verdict. One module a subject; `catalogue()` has them all."""

from __future__ import annotations

from functools import lru_cache
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from advisor.calc.base import Calculation

__all__ = ["SUBJECTS", "catalogue"]

SUBJECTS = (
    "air",
    "leak",
    "leaklog",
    "duty",
    "bath",
    "water",
    "coolant",
    "burrlife",
    "runout",
    "compare",
    "airline",
    "fitting",
    "regulator",
    "lineparts",
    "moisture",
    "airclass",
    "electrical",
    "voltage",
    "geometry",
    "testblock",
    "repeat",
    "fit",
    "cutting",
    "stiffness",
    "brittle",
    "finish",
)


@lru_cache(maxsize=1)
def catalogue() -> dict[str, Calculation]:
    """Every calculation by id, in the order of the subjects."""
    found: dict[str, Calculation] = {}
    for subject in SUBJECTS:
        for calc in import_module(f"advisor.calc.{subject}").CALCULATIONS:
            found[calc.id] = calc
    return found
