"""Plain records: what rules work on and conclude, steps, reasons. Apart from the engines, which take a while to import."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["Facts", "Firing", "Mover", "Ranked", "Reason", "Step", "Term", "Verdict", "likelihood_word"]


@dataclass(frozen=True)
class Facts:
    """What is known of a case, as plain mappings.

    `checks` holds sure outcomes only: a reading too near a limit to tell has none. `readings` are values in the
    check's own unit, `numbers` settings in their field's unit, `choices` settings chosen by word.
    """

    symptoms: Mapping[str, bool] = field(default_factory=dict)
    checks: Mapping[str, str] = field(default_factory=dict)
    readings: Mapping[str, float] = field(default_factory=dict)
    choices: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, float] = field(default_factory=dict)
    remedies: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, order=True)
class Firing:
    """One rule that fired: the facts it stood on, in words, and what it concluded."""

    rule: str
    facts: tuple[str, ...]
    kind: str
    conclusion: str
    because: str


@dataclass(frozen=True)
class Verdict:
    """All that the rules conclude, sorted by rule id."""

    firings: tuple[Firing, ...] = ()
    findings: tuple[str, ...] = ()
    answers: Mapping[str, tuple[str, str]] = field(default_factory=dict)  # check -> (outcome, rule)
    excluded: Mapping[str, str] = field(default_factory=dict)  # cause -> rule
    cautions: tuple[str, ...] = ()
    first: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # later check or remedy -> checks due before
    stops: tuple[str, ...] = ()
    referrals: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Step:
    """A possible next step.

    `minutes`: what it takes now, preparations not yet done included. `expected`: minutes to a proven fix when one
    starts with it. `before`: the step this check is due before, if a rule says so.
    """

    kind: str
    id: str
    minutes: float
    expected: float
    probability: float = 0.0
    before: str | None = None


_WORDS = (
    (0.9, "nearly certain"),
    (0.65, "likely"),
    (0.35, "even chance"),
    (0.12, "possible"),
    (0.03, "unlikely"),
    (0.0, "very unlikely"),
)


def likelihood_word(p: float) -> str:
    """A word for a probability; always shown beside the number, since people read words very differently."""
    return next(word for limit, word in _WORDS if p >= limit)


@dataclass(frozen=True)
class Reason:
    """A finding for or against a cause: its text, and the likelihood ratio (above 1 speaks for it)."""

    finding: str
    text: str
    ratio: float


@dataclass(frozen=True)
class Ranked:
    """A cause with its probability in 0..1."""

    cause: str
    title: str
    probability: float


@dataclass(frozen=True)
class Term:
    """One term of the log odds between two causes: what it is and how much it adds (natural logarithm)."""

    text: str
    log_ratio: float


@dataclass(frozen=True)
class Mover:
    """A check that could change the ranking most: outcome, its chance, and the leading cause's probability after it."""

    check: str
    outcome: str
    chance: float
    after: float
