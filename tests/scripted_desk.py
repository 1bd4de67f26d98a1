"""A desk without a terminal: canned replies in, the whole screen out as text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from advisor.console import Desk, Paused
from advisor.match import Matcher
from advisor.screen import Glyphs, Line, plain


class ScriptedDesk(Desk):
    """Replies in order; an exhausted list pauses the case, as Ctrl-D does."""

    def __init__(self, replies: Iterable[str], width: int = 79, glyphs: Glyphs | None = None) -> None:
        self.replies = list(replies)
        self.columns = width
        self.glyphs = glyphs or Glyphs("█", "·", "─", "│")
        self.screen: list[str] = []

    @property
    def width(self) -> int:
        """Columns of the pretended terminal."""
        return self.columns

    @property
    def height(self) -> int:
        """Lines of the pretended terminal: enough for anything."""
        return 10_000

    def show(self, lines: Iterable[Line]) -> None:
        """Keep the lines as text."""
        self.screen.extend(plain([line]) for line in lines)

    def ask(
        self,
        prompt: str,
        words: Sequence[str] = (),
        matcher: Matcher | None = None,
        toolbar: str = "",
        default: str = "",
    ) -> str:
        """The next reply, shown after its prompt."""
        if not self.replies:
            self.screen.append(prompt.rstrip())
            raise Paused
        reply = self.replies.pop(0)
        self.screen.append(f"{prompt}{reply}".rstrip())
        return reply
