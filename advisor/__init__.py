"""Find out why a dental mill's result is bad: the diagnosis engine and its console.

The engine works without the console::

    import advisor

    case = advisor.Session(advisor.knowledge())          # the shipped knowledge
    case.take({"type": "symptom", "symptom": "air-drops"})
    case.take({"type": "answer", "check": "air-static", "value": "0.62 MPa"})
    view = advisor.Assessment(case.compiled, case.state)
    view.ranking[0], view.next[0]

A model from plain tables instead of files is :class:`advisor.tables.TableModel`. Data flows one way:
knowledge -> model -> rules, graph, likelihoods -> session -> console; session -> log -> review.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["Assessment", "Session", "__version__", "knowledge"]

if TYPE_CHECKING:
    from advisor.assess import Assessment
    from advisor.compiled import Compiled
    from advisor.issue import Issue
    from advisor.model import Knowledge
    from advisor.session import Session


def knowledge(
    folder: Path | str | None = None, overlay: bool = True, tell: Callable[[str], None] | None = None
) -> Compiled:
    """Load, check and compile a knowledge base: the shipped one, or the one in `folder`.

    The shipped one gets the numbers learned from the shop's own cases (`overlay.yaml` in the data folder, see
    :mod:`advisor.learning.overlay`) unless `overlay` is False; a folder that is named is used as it stands. `tell` is given a
    line when some of those numbers cannot be used (default: it goes to stderr).

    Raises advisor.load.KnowledgeError with every problem found.
    """
    from advisor.compiled import Compiled
    from advisor.home import cache_home, data_home
    from advisor.load import load_knowledge, shipped

    def check(kb: Knowledge) -> list[Issue]:
        from advisor.lint import broken

        return broken(kb)

    root = Path(folder) if folder else shipped("knowledge")
    kb = load_knowledge(root, examples=False, cache=cache_home(), check=check)
    if overlay and not folder and (path := data_home() / "overlay.yaml").exists():
        from advisor.learning.overlaid import with_overlay

        kb, notes = with_overlay(kb, path, cache_home())
        for note in notes:
            (tell or _on_stderr)(note)
    return Compiled(kb)


def _on_stderr(line: str) -> None:
    print(line, file=sys.stderr)


def __getattr__(name: str) -> Any:
    """Import the engine only when it is asked for: `advisor --version` needs none of it."""
    if name == "Session":
        from advisor.session import Session

        return Session
    if name == "Assessment":
        from advisor.assess import Assessment

        return Assessment
    raise AttributeError(f"module 'advisor' has no attribute '{name}'")
