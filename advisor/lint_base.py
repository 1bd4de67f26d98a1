"""What every check of the linter is made of."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, ClassVar

from advisor.issue import Issue
from advisor.model import Condition, Example, Knowledge

__all__ = ["LintCheck", "conditions", "examples"]


class LintCheck:
    """Base: `run` yields issues; `issue` places one at a record or a part of it."""

    code: ClassVar[str]
    severity: ClassVar[str] = "error"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        """Yield every violation in `kb`."""
        raise NotImplementedError

    def issue(self, kb: Knowledge, path: tuple[Any, ...], message: str, hint: str = "") -> Issue:
        """An issue at the nearest known place of `path`."""
        file, line, column = kb.place(*path)
        return Issue(file, line, column, self.code, message, hint)


def conditions(kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], Condition]]:
    """Every condition of every rule and check with its path."""
    for rule in kb.rules.values():
        for part in ("when", "any"):
            for index, condition in enumerate(getattr(rule, part)):
                yield ("rules", rule.id, part, index), condition.flat()
    for check in kb.checks.values():
        for index, condition in enumerate(check.applies):
            yield ("checks", check.id, "applies", index), condition.flat()


def examples(kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], Example]]:
    """Every example of every cause with its path."""
    for cause, found in kb.examples.items():
        for part in ("ranks", "quiet", "todo"):
            for index, example in enumerate(getattr(found, part)):
                yield ("examples", cause, part, index), example
