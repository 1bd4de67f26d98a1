"""The shop's overlay: what its own cases add to the knowledge, as a file of counts in the data folder.

`overlay.yaml` holds what was counted (successes and trials), not the numbers that came out. So an upgrade of the
knowledge keeps it: the counts are set against the new numbers, and what no longer fits is left out and told. It never
changes the knowledge files. Each version that is replaced is kept beside it as `overlay.1.yaml`, `overlay.2.yaml`, ...
How a start applies it stands in :mod:`advisor.learning.overlaid`.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from advisor.issue import Issue, KnowledgeError
from advisor.learning.overlaid import NONE, Numbers
from advisor.learning.updates import LinkCount, RateCount, Tally, link_prior, numbers_of
from advisor.load import validated
from advisor.model import Knowledge
from advisor.record import Id, Record
from advisor.tree import Tree, parse_tree

__all__ = ["FILE", "Header", "HeldOut", "Overlay", "fitting", "overlay_text", "put", "read", "undo", "worked_out"]

FILE = "overlay.yaml"
UNDONE = "overlay.undone.yaml"

Count = Annotated[float, Field(ge=0, le=1e7, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, le=1e7, allow_inf_nan=False)]


class HeldOut(Record):
    """How it did on the cases held out: mean log loss in nats before and after, standard error of the difference."""

    cases: int
    before: float
    after: float
    error: float


class Header(Record):
    """Where an overlay comes from. `knowledge`: digest of the knowledge it was learned on; `newest`: its newest case."""

    written: str
    cases: int
    newest: str
    knowledge: str
    part: Literal["rates", "links", "both"]
    held_out: HeldOut


class _Rate(Record):
    cause: Id
    cases: Count
    expected: Positive
    stated: Positive


class _Link(Record):
    cause: Id
    check: Id
    outcomes: dict[str, Count] = Field(min_length=1)


class _File(Record):
    overlay: Header
    trials: Positive
    rates: tuple[_Rate, ...] = ()
    links: tuple[_Link, ...] = ()

    @model_validator(mode="after")
    def _adds_up(self) -> _File:
        for what, total in (
            ("cases", sum(r.cases for r in self.rates)),
            ("expected cases", sum(r.expected for r in self.rates)),
        ):
            if total > self.trials * 1.001:
                raise ValueError(f"'rates' count {total:g} {what}, more than the {self.trials:g} of 'trials'")
        keys = [r.cause for r in self.rates] + [f"{x.cause} {x.check}" for x in self.links]
        twice = sorted({k for k in keys if keys.count(k) > 1})
        if twice:
            raise ValueError(f"'{twice[0]}' stands twice")
        return self


@dataclass(frozen=True)
class Overlay:
    """An overlay as read: its header, its counts, and where they stand in the file."""

    header: Header
    found: Tally
    name: str
    tree: Tree

    @property
    def digest(self) -> str:
        """Twelve hex digits that tell the counts apart; the header does not matter."""
        plain = [
            self.found.trials,
            [[r.cause, r.cases, r.expected, r.stated] for r in self.found.rates],
            [[x.cause, x.check, sorted(x.outcomes.items())] for x in self.found.links],
        ]
        return hashlib.sha256(json.dumps(plain).encode()).hexdigest()[:12]


# -- reading ----------------------------------------------------------------------------------------------------------


def read(path: Path) -> Overlay:
    """The overlay in a file. Raises KnowledgeError with file, line and column of what is wrong; OSError when it cannot
    be read."""
    try:
        tree = parse_tree(path.read_bytes().decode("utf-8"), str(path))
    except UnicodeDecodeError:
        raise KnowledgeError([Issue(str(path), 1, 1, "file", "is no text in UTF-8")]) from None
    issues: list[Issue] = []
    file = validated(_File, tree, tree.data, (), str(path), issues)
    if file is None:
        raise KnowledgeError(issues)
    found = Tally(
        file.trials,
        tuple(RateCount(r.cause, r.cases, r.expected, r.stated) for r in file.rates),
        tuple(LinkCount(x.cause, x.check, dict(x.outcomes)) for x in file.links),
    )
    return Overlay(file.overlay, found, str(path), tree)


def fitting(kb: Knowledge, overlay: Overlay) -> tuple[Tally, list[Issue]]:
    """The counts that fit this knowledge, and an issue for each that does not."""
    issues = []
    rates, links = [], []
    for i, rate in enumerate(overlay.found.rates):
        if rate.cause == NONE or rate.cause in kb.causes:
            rates.append(rate)
        else:
            issues.append(_misfit(overlay, ("rates", i), f"there is no cause '{rate.cause}' any more"))
    for i, link in enumerate(overlay.found.links):
        wrong = _wrong(kb, link)
        if wrong:
            issues.append(_misfit(overlay, ("links", i), wrong))
        else:
            links.append(link)
    return Tally(overlay.found.trials, tuple(rates), tuple(links)), issues


def _wrong(kb: Knowledge, link: LinkCount) -> str:
    if link.cause not in kb.causes:
        return f"there is no cause '{link.cause}' any more"
    if link.check not in kb.checks:
        return f"there is no check '{link.check}' any more"
    gone = [o for o in link.outcomes if o not in {x.id for x in kb.checks[link.check].outcomes}]
    if gone:
        return f"check '{link.check}' has no outcome '{gone[0]}' any more"
    if link_prior(kb, link.cause, link.check) is None:
        return f"'{link.cause}' and '{link.check}' have no link any more that is learned"
    return ""


def _misfit(overlay: Overlay, path: tuple[Any, ...], message: str) -> Issue:
    return Issue(overlay.name, *overlay.tree.mark(path), "misfit", message, "left out; 'advisor learn' counts anew")


# -- worked out -------------------------------------------------------------------------------------------------------


def worked_out(kb: Knowledge, path: Path, kept: Path | None) -> tuple[Numbers, str, list[str]]:
    """The numbers an overlay makes of the knowledge, its digest, and what is to be told of it; written to the cache file
    `kept`. Raises KnowledgeError and OSError as `read` does."""
    overlay = read(path)
    found, issues = fitting(kb, overlay)
    numbers = numbers_of(kb, found)
    told = []
    if issues:
        left = "1 entry no longer fits" if len(issues) == 1 else f"{len(issues)} entries no longer fit"
        told = [f"{path}: {left} this knowledge; to see which: advisor learn show"]
    if kept is not None:
        try:
            for old in kept.parent.glob("overlay-*.json"):
                old.unlink(missing_ok=True)
            plain = {"rates": numbers.rates, "shares": numbers.shares, "digest": overlay.digest, "told": told}
            _write(kept, json.dumps(plain).encode())
        except OSError:
            pass  # it only costs time
    return numbers, overlay.digest, told


# -- writing ----------------------------------------------------------------------------------------------------------


def overlay_text(header: Header, found: Tally) -> str:
    """The overlay as the text of its file."""
    h, o = header, header.held_out
    lines = [
        "# What this shop's own cases add to the knowledge, as counts. Written by 'advisor learn'; it can be taken back with",
        "# 'advisor learn undo', and 'advisor learn show' tells what it changes.",
        "overlay:",
        f"  written: {h.written}",
        f"  cases: {h.cases}   # signed cases it was learned from, the newest begun at the time below",
        f"  newest: {h.newest}",
        f"  knowledge: {h.knowledge}",
        f"  part: {h.part}",
        "  # tried on the newest cases, held out: mean log loss in nats before and after, standard error of the difference",
        f"  held_out: {{cases: {o.cases}, before: {o.before:.4f}, after: {o.after:.4f}, error: {o.error:.4f}}}",
        f"trials: {found.trials:.10g}   # causes named in those cases, 'none of the known' being one",
    ]
    if found.rates:
        lines += [
            "# how many cases named the cause; how many were expected at the rate per hundred stated then",
            "rates:",
        ]
        lines += [
            f"  - {{cause: {r.cause}, cases: {r.cases:.10g}, expected: {r.expected:.10g}, stated: {r.stated:.10g}}}"
            for r in found.rates
        ]
    if found.links:
        lines += ["# how often each outcome of the check was reported in cases of that cause alone", "links:"]
        for x in found.links:
            counts = ", ".join(f"{o}: {n:.10g}" for o, n in x.outcomes.items())
            lines.append(f"  - {{cause: {x.cause}, check: {x.check}, outcomes: {{{counts}}}}}")
    return "\n".join(lines) + "\n"


def put(folder: Path, text: str) -> Path:
    """Make `text` the overlay of a data folder; the one before is kept under the next number. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / FILE
    if path.exists():
        _write(folder / f"overlay.{max(_numbers(folder), default=0) + 1}.yaml", path.read_bytes())
    _write(path, text.encode("utf-8"))
    return path


def undo(folder: Path) -> bool:
    """Go back to the overlay before this one, byte by byte; the one taken back is kept as `overlay.undone.yaml`.

    False when there was none before it, so that none is in force now. Raises FileNotFoundError when none was in force,
    OSError when the folder cannot be written.
    """
    path = folder / FILE
    _write(folder / UNDONE, path.read_bytes())
    last = max(_numbers(folder), default=0)
    if last:
        os.replace(folder / f"overlay.{last}.yaml", path)
    else:
        path.unlink()
    return bool(last)


def _numbers(folder: Path) -> Iterator[int]:
    for path in folder.glob("overlay.*.yaml"):
        middle = path.name.split(".")[1]
        if middle.isascii() and middle.isdigit():
            yield int(middle)


def _write(path: Path, content: bytes) -> None:
    """Replace a file in one step: another program sees the old or the new one, never half of it."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except OSError:
        Path(name).unlink(missing_ok=True)
        raise
