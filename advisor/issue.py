"""Problems of files people write: where they stand, what is wrong, what to write instead."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Issue", "KnowledgeError", "nearest"]


@dataclass(frozen=True, order=True)
class Issue:
    """One problem of the knowledge: where it stands, what is wrong, what to write instead."""

    file: str
    line: int
    column: int
    code: str
    message: str
    hint: str = ""

    def __str__(self) -> str:
        hint = f"\n    {self.hint}" if self.hint else ""
        return f"{self.file}:{self.line}:{self.column}: {self.code}: {self.message}{hint}"


class KnowledgeError(Exception):
    """The knowledge cannot be used; `issues` lists every problem found."""

    def __init__(self, issues: Iterable[Issue]) -> None:
        self.issues = sorted(issues)
        super().__init__("\n".join(str(i) for i in self.issues))


def nearest(word: str, known: Iterable[str]) -> str:
    """A sentence naming the nearest known ids, or an empty one."""
    found = difflib.get_close_matches(word, list(known), n=3, cutoff=0.5)
    return f"did you mean {' or '.join(found)}?" if found else ""
