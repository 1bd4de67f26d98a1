"""A calculation carried out: figures with expanded uncertainty, limits with conformance probability, what the doubt
comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from advisor.calc.base import Calculation, Figure, Limit, Number, Worked, deviation, nominal
from advisor.calc.take import Taken, take
from advisor.model import Knowledge
from advisor.readings import conformance

__all__ = ["SURE", "Result", "Run", "Verdict", "budget", "carry_out", "run_data"]

SCHEMA = "advisor-calculation/1"
SURE = 0.95
COVERAGE = 2.0  # JCGM 100, 6.3.3: about 95 % for a result that is near enough normal


@dataclass(frozen=True)
class Result:
    """A figure with its value and standard uncertainty `u`, both in the figure's unit."""

    figure: Figure
    value: float
    u: float

    @property
    def expanded(self) -> float:
        """U = k u with k = 2."""
        return COVERAGE * self.u


@dataclass(frozen=True)
class Verdict:
    """A limit, and the probability in 0..1 that the true value keeps it (JCGM 106)."""

    limit: Limit
    probability: float

    @property
    def word(self) -> str:
        """kept, not kept, or too near to tell."""
        if self.probability >= SURE:
            return "kept"
        return "not kept" if self.probability <= 1 - SURE else "too near the limit to tell"


@dataclass(frozen=True)
class Run:
    """What a calculation was given and what came out. `budget`: share of the first figure's variance by input id or
    instrument id, largest first."""

    calc: Calculation
    taken: Mapping[str, Taken]
    worked: Worked
    results: Mapping[str, Result]
    verdicts: tuple[Verdict, ...]
    budget: tuple[tuple[str, float], ...]

    @property
    def main(self) -> Result | None:
        """The figure it is asked for; None when the calculation only tells classes apart."""
        return next(iter(self.results.values()), None)


def carry_out(
    calc: Calculation,
    typed: Mapping[str, Any],
    kb: Knowledge,
    profile: Mapping[str, float] | None = None,
    fixed: Mapping[str, str] | None = None,
) -> Run:
    """Run a calculation on what was typed. Raises CalcError for inputs that are missing, out of range, or do not go
    together."""
    units = {f.id: f.unit for f in kb.vocabulary.mill}
    given, taken = take(calc, typed, kb.instruments, profile, fixed, units)
    worked = calc.work(given)
    results = {
        f.id: Result(f, nominal(number), deviation(number))
        for f in calc.figures
        if (number := worked.figures.get(f.id)) is not None
    }
    verdicts = tuple(
        Verdict(limit, conformance(r.value, r.u, limit.low, limit.high))
        for limit in worked.limits
        if (r := results.get(limit.figure)) is not None
    )
    first = worked.figures[next(iter(results))] if results else None
    return Run(calc, taken, worked, results, verdicts, budget(first))


def budget(number: Number | None) -> tuple[tuple[str, float], ...]:
    """Share of a number's variance by the input or instrument it comes from, largest first."""
    parts: dict[Any, float] = getattr(number, "error_components", dict)() if number is not None else {}
    total = sum(s**2 for s in parts.values())
    if total <= 0:
        return ()
    shares: dict[str, float] = {}
    for variable, s in parts.items():
        shares[str(variable.tag)] = shares.get(str(variable.tag), 0.0) + s**2 / total
    return tuple(sorted(shares.items(), key=lambda kv: (-kv[1], kv[0])))


def run_data(run: Run) -> dict[str, Any]:
    """A run as plain data: the JSON of `advisor calc`, and what a case keeps of it."""
    return {
        "schema": SCHEMA,
        "calculation": run.calc.id,
        "inputs": {
            t.input.option: {
                "value": _data(t.value),
                "unit": None if t.input.columns or t.input.choices else t.input.unit,
                "typed": t.typed,
                "origin": t.origin,
                "instruments": list(t.instruments),
            }
            for t in run.taken.values()
            if t.origin != "missing"
        },
        "figures": {
            k: {"label": r.figure.label, "value": r.value, "unit": r.figure.unit, "u": r.u, "U": r.expanded}
            for k, r in run.results.items()
        },
        "limits": [
            {
                "figure": v.limit.figure,
                "label": v.limit.label,
                "low": None if v.limit.low == float("-inf") else v.limit.low,
                "high": None if v.limit.high == float("inf") else v.limit.high,
                "probability": v.probability,
                "verdict": v.word,
                "source": v.limit.source,
            }
            for v in run.verdicts
        ],
        "classes": dict(run.worked.classes),
        "working": list(run.worked.lines),
        "says": list(run.worked.says),
        "doubt_from": {k: round(s, 4) for k, s in run.budget},
        "sources": list(run.calc.sources),
    }


def _data(value: Any) -> Any:
    if isinstance(value, list):
        return [_data(v) for v in value]
    if isinstance(value, dict):
        return {k: _data(v) for k, v in value.items()}
    if isinstance(value, str) or value is None:
        return value
    u = deviation(value)
    return {"value": nominal(value), "u": u} if u else nominal(value)
