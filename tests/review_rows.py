"""Invented rows and readings for the tests of the review: seeded, so that each run has the same ones."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

from advisor.caserow import CaseRow, Reading

__all__ = ["BEGIN", "at", "reading", "row", "some_rows"]

BEGIN = datetime(2026, 9, 1, tzinfo=UTC)


def at(days: float) -> str:
    """The time so many days after the beginning of the period, as the log writes it."""
    return (BEGIN + timedelta(days=days)).isoformat(timespec="milliseconds")


def row(case: str, days: float, **given: object) -> CaseRow:
    """A row of a case begun so many days after the beginning; `fixed` and `closed` may be given as days too."""
    for key in ("fixed", "closed"):
        if isinstance(given.get(key), int | float):
            given[key] = at(float(given[key]))  # type: ignore[arg-type]
    return CaseRow("bench", case, at(days), **given)  # type: ignore[arg-type]


def reading(
    days: float, value: float, series: str = "air-static", mill: str | None = "quay", unit: str = "MPa"
) -> Reading:
    """A reading so many days after the beginning."""
    return Reading("bench", f"c{days:g}", series, at(days), mill, value, unit)


def some_rows(count: int, seed: int, causes: int = 4, symptoms: int = 4) -> list[CaseRow]:
    """Rows of a quarter with everything that may be missing missing now and then."""
    chance = random.Random(seed)
    names, signs = [f"cause-{i}" for i in range(causes)], [f"symptom-{i}" for i in range(symptoms)]
    out = []
    for number in range(count):
        begun = chance.uniform(-20, 110)
        how = chance.choices(["confirmed", "fixed-unproven", "referred", "open", None], [6, 1, 1, 1, 1])[0]
        after = begun + chance.expovariate(1)
        fixed = at(after) if how == "confirmed" and chance.random() < 0.8 else None
        cause = chance.choice(names) if how in ("confirmed", "fixed-unproven") else None
        remedy = f"remedy-{chance.randrange(3)}" if fixed else None
        tried = [(f"remedy-{chance.randrange(3, 6)}", "no-change")] * chance.randrange(2)
        reviewed = chance.choice([None, None, "approved", "corrected", "asked"]) if how not in (None, "open") else None
        out.append(
            row(
                f"c{number:04d}",
                begun,
                mill=chance.choice(["north", "quay", None]),
                technician=chance.choice(["Ines", "Tomas", None]),
                material=chance.choice(["zirconia", "resin", None]),
                symptoms=tuple(chance.sample(signs, chance.randrange(3))),
                how=how,
                cause=cause,
                closed=at(after) if how not in (None, "open") else None,
                first_cause=chance.choice([*names, None]),
                first_probability=chance.choice([None, chance.random(), 0.0, 1.0]),
                remedies=tuple(tried) + (((remedy, "helped"),) if remedy else ()),
                remedy=remedy,
                fixed=fixed,
                minutes=chance.choice([None, chance.uniform(1, 90)]) if how not in (None, "open") else None,
                blocks=chance.choice([None, 0.0, 1.0, 2.0]) if how not in (None, "open") else None,
                cautions=("caution-a",) * chance.randrange(2),
                reviewed=reviewed,
                final_cause=chance.choice(names) if reviewed == "corrected" else cause,
                imported=chance.random() < 0.1,
            )
        )
    return sorted(out, key=lambda r: r.begun)
