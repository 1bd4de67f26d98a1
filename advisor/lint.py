"""The linter of the knowledge: one small class per check, every issue in one run.

A check's docstring is its rule. `errors` make the knowledge unusable, `advice` makes it better (`--strict` counts both).
"""

from __future__ import annotations

from advisor.issue import Issue
from advisor.lint_base import LintCheck
from advisor.lint_calc import CalculationsFit
from advisor.lint_form import CountsAreCounted, DoubleLinks, Frequencies, NumbersFit, ReadingsTile, References
from advisor.lint_sense import (
    CauseIsReachable,
    ChecksDistinguish,
    HasExamples,
    HazardsCautioned,
    Reachable,
    RemediesUsed,
    RulesSound,
    SymptomsLead,
)
from advisor.lint_trust import (
    CarePrevents,
    Decisive,
    Dominated,
    InseparableDeclared,
    RatesAddUp,
    RulesAgree,
    SoundReading,
)
from advisor.lint_words import Readable, ShortSentences, Spelling, Unfinished
from advisor.model import Knowledge

__all__ = ["CHECKS", "LintCheck", "broken", "lint"]

CHECKS: tuple[type[LintCheck], ...] = (
    References,
    Frequencies,
    NumbersFit,
    CountsAreCounted,
    DoubleLinks,
    CauseIsReachable,
    ChecksDistinguish,
    SymptomsLead,
    Reachable,
    RemediesUsed,
    HazardsCautioned,
    ReadingsTile,
    CalculationsFit,
    RulesSound,
    RulesAgree,
    Decisive,
    InseparableDeclared,
    RatesAddUp,
    CarePrevents,
    Unfinished,
    ShortSentences,
    SoundReading,
    Dominated,
    Readable,
    Spelling,
    HasExamples,
)


def lint(kb: Knowledge) -> tuple[list[Issue], list[Issue]]:
    """All errors and all advice, sorted by place. Checks after a broken reference may be skipped."""
    errors: list[Issue] = []
    advice: list[Issue] = []
    for cls in CHECKS:
        if cls.severity == "advice" and errors:
            continue
        (advice if cls.severity == "advice" else errors).extend(cls().run(kb))
        if cls in (References, Frequencies) and errors:
            break
    return sorted(errors), sorted(advice)


def broken(kb: Knowledge) -> list[Issue]:
    """What would keep the base from being used at all: broken references, frequencies, readings and calculations."""
    found: list[Issue] = []
    for cls in (References, Frequencies, ReadingsTile, CalculationsFit):
        found.extend(cls().run(kb))
        if found:
            break
    return sorted(found)
