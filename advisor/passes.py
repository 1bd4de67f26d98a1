"""The state of the exact pass: the highest level produced so far of each finding off its first level.

See :mod:`advisor.belief` for the method.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from advisor.findings import Block, Vector

if TYPE_CHECKING:
    from advisor.belief import Network

__all__ = ["MAX_STATES", "PassState", "PassStep"]

MAX_STATES = 1 << 16


@dataclass(frozen=True)
class PassStep:
    """A block's effect on the state: with `share` the moves are made (and `silent` of its other findings stay quiet)."""

    share: float
    silent: float
    moves: tuple[tuple[int, Vector], ...]


@dataclass(frozen=True)
class _Plan:
    steps: list[PassStep]
    factor: float
    moves: bool


class PassState:
    """The findings off their first level, as one array: axis i holds the highest level produced so far of finding i."""

    def __init__(self, net: Network, weights: dict[int, Vector]) -> None:
        self.negative: set[int] = set()
        self.axis: dict[int, int] = {}
        self.cut: list[int] = []
        dims: list[int] = []
        finals: list[Vector] = []
        starts: list[Vector] = []
        log_leak = 0.0
        for f, row in weights.items():
            top = int(np.nonzero(row)[0][-1])
            if top == 0:
                self.negative.add(f)
                log_leak += math.log(row[0] * net.leak[f][0]) if net.leak[f][0] > 0 else -math.inf
                continue
            self.axis[f] = len(dims)
            # Levels below the lowest one with a weight of its own behave alike: join them.
            low = 0
            while low < top and row[low + 1] == row[low]:
                low += 1
            if low == top:
                low = top - 1 if top else 0
            self.cut.append(low)
            dims.append(top - low + 1)
            finals.append(row[low : top + 1])
            starts.append(self._merge(net.leak[f], low, top))
        self.dims = tuple(dims)
        self.size = math.prod(dims)
        self.tops = {f: int(np.nonzero(weights[f])[0][-1]) for f in self.axis}
        self.log_leak = log_leak
        self.shapes = [(math.prod(dims[:i]), dims[i], math.prod(dims[i + 1 :])) for i in range(len(dims))]
        if self.size <= MAX_STATES:
            self.final = _outer(finals)
            self._start = _outer(starts)

    @staticmethod
    def _merge(row: Vector, low: int, top: int) -> Vector:
        """Levels 0..low as one, then low+1..top one by one; what lies above `top` is dropped (it was not seen)."""
        return np.concatenate([[row[: low + 1].sum()], row[low + 1 : top + 1]])

    def start(self) -> Vector:
        return self._start

    def plan(self, blocks: list[Block]) -> _Plan:
        """What a cause's blocks do to this state; factor collects its plain negative findings."""
        steps: list[PassStep] = []
        factor = 1.0
        for block in blocks:
            silent = 1.0
            moves: list[tuple[int, Vector]] = []
            for f, row in block.rows.items():
                if f in self.negative:
                    silent *= row[0]
                elif f in self.axis:
                    axis = self.axis[f]
                    moves.append((axis, self._merge(row, self.cut[axis], self.tops[f])))
            if not moves:
                factor *= 1.0 - block.share + block.share * silent
            elif block.share >= 1.0:
                factor *= silent
                steps.append(PassStep(1.0, 1.0, tuple(moves)))
            else:
                steps.append(PassStep(block.share, silent, tuple(moves)))
        return _Plan(steps, float(factor), bool(steps))

    def forward(self, state: Vector, steps: list[PassStep]) -> Vector:
        return self._apply(state, steps, self._raise)

    def backward(self, state: Vector, steps: list[PassStep]) -> Vector:
        return self._apply(state, steps, self._pull)

    def _apply(self, state: Vector, steps: list[PassStep], move: Any) -> Vector:
        for step in steps:
            moved = state
            for axis, row in step.moves:
                moved = move(moved, axis, row)
            if step.share < 1.0:
                moved = (1.0 - step.share) * state + (step.share * step.silent) * moved
            state = moved
        return state

    def _raise(self, state: Vector, axis: int, row: Vector) -> Vector:
        """Each draw lifts the level: new[s] = old[s] * P(draw <= s) + P(draw = s) * sum(old[< s])."""
        a, d, b = self.shapes[axis]
        old = state.reshape(a, d, b)
        new = np.empty_like(old)
        new[:, 0] = old[:, 0] * row[0]
        if d == 2:
            new[:, 1] = old[:, 1] * (row[0] + row[1]) + old[:, 0] * row[1]
        else:
            reach = row[0]
            below = old[:, 0].copy()
            for s in range(1, d):
                reach = reach + row[s]
                new[:, s] = old[:, s] * reach + below * row[s]
                below += old[:, s]
        return new.reshape(-1)

    def _pull(self, state: Vector, axis: int, row: Vector) -> Vector:
        """The transpose of `_raise`: new[s] = old[s] * P(draw <= s) + sum over j > s of P(draw = j) * old[j]."""
        a, d, b = self.shapes[axis]
        old = state.reshape(a, d, b)
        new = np.empty_like(old)
        if d == 2:
            new[:, 0] = old[:, 0] * row[0] + old[:, 1] * row[1]
            new[:, 1] = old[:, 1] * (row[0] + row[1])
            return new.reshape(-1)
        above = np.zeros_like(old[:, 0])
        reach = float(row.sum())
        for s in range(d - 1, -1, -1):
            new[:, s] = old[:, s] * reach + above
            above += old[:, s] * row[s]
            reach -= float(row[s])
        return new.reshape(-1)


def _outer(parts: list[Vector]) -> Vector:
    out = np.ones(1)
    for part in parts:
        out = np.multiply.outer(out, part).reshape(-1)
    return out
