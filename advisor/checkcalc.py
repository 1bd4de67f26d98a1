"""A check's calculation: carried out from typed readings, and the answer event it gives."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from advisor.calc import catalogue
from advisor.calc.base import CalcError
from advisor.calc.run import Run, carry_out, run_data
from advisor.model import Check, Knowledge
from advisor.readings import ReadingError, convert
from advisor.session import CaseError, Event

__all__ = ["answer_from", "worked_answer"]


def answer_from(check: Check, run: Run) -> Event:
    """The answer event that a run gives to its check: the figure with its uncertainty in the check's unit, or the
    probabilities of the classes. CaseError when it does not give the figure for these inputs."""
    event: Event = {"type": "answer", "check": check.id, "calculation": run_data(run), "typed": "calc"}
    if check.calc is None or check.calc.figure is None:
        return {**event, "weights": dict(run.worked.classes)}
    result = run.results.get(check.calc.figure)
    if result is None:
        label = run.calc.figure(check.calc.figure).label
        raise CaseError(f"{run.calc.id}: from these inputs the {label} does not follow; give the ones left out too")
    unit = str(check.unit)
    try:
        value = convert(result.value, result.figure.unit, unit)
        u = abs(convert(result.u, result.figure.unit, unit) - convert(0.0, result.figure.unit, unit))
    except ReadingError as error:
        raise CaseError(f"{check.id}: {error}") from None
    return {**event, "value": repr(value), "unit": unit, "uncertainty": repr(u)}


def worked_answer(check: Check, readings: Mapping[str, Any], kb: Knowledge, profile: Mapping[str, float]) -> Event:
    """The answer event of a check from the readings of its calculation, as typed. CaseError with every problem."""
    if check.calc is None:
        raise CaseError(f"'{check.id}' has no calculation: give the reading or the outcome itself")
    try:
        run = carry_out(catalogue()[check.calc.name], readings, kb, profile, check.calc.given)
    except CalcError as error:
        raise CaseError(f"{check.id}: {error}".replace("\n", "; ")) from None
    return answer_from(check, run)
