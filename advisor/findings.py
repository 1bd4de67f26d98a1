"""Small shared types of the belief model: vectors, evidence and its errors, remedies tried, blocks of links."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Block", "Evidence", "EvidenceError", "Tried", "Vector"]

Vector = npt.NDArray[np.float64]
Evidence = Mapping[str, Sequence[float] | Vector]


class EvidenceError(ValueError):
    """Evidence the model cannot take: an unknown finding, wrong number of levels, or too much of it."""


@dataclass(frozen=True)
class Tried:
    """A remedy that was tried: how surely it cures each cause (share in 0..1 by cause id), and whether it helped.

    Only `relevant` causes can keep the complaint alive (None: every cause can). The remedy's chance of ending the
    trouble is g(S) = product of the shares over the relevant causes of the set S, and 0 if there is none of them. "No
    change" weighs a set by 1 - g; "helped" by g, plus one in twenty for trouble that goes away by itself.
    """

    cures: Mapping[str, float]
    helped: bool = False
    relevant: frozenset[str] | None = None

    @property
    def terms(self) -> tuple[float, float]:
        """The weight of a set as a + b * g."""
        return (0.05, 0.95) if self.helped else (1.0, -1.0)

    def matters(self, cause: str) -> bool:
        """Whether the cause can keep the complaint alive."""
        return self.relevant is None or cause in self.relevant

    def ends(self, causes: Sequence[str]) -> float:
        """g(S): the chance that the remedy ends the trouble of exactly these causes."""
        needed = [self.cures.get(c, 0.0) for c in causes if self.matters(c)]
        return math.prod(needed) if needed else 0.0


@dataclass(frozen=True)
class Block:
    """Links of one cause that share one effect: it occurs with `share`; then finding f draws from rows[f]."""

    share: float
    rows: dict[int, Vector]
