"""The terminal: prints lines, asks for one line of text. The only module that imports prompt_toolkit."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterable, Sequence
from typing import Any

from prompt_toolkit import PromptSession, print_formatted_text
from prompt_toolkit.completion import Completer, Completion
from prompt_toolkit.document import Document
from prompt_toolkit.formatted_text import FormattedText
from prompt_toolkit.input import Input
from prompt_toolkit.output import ColorDepth, Output
from prompt_toolkit.styles import Style

from advisor.match import Matcher
from advisor.screen import STYLES, Glyphs, Line, text_lines

__all__ = ["Desk", "Paused"]


class Paused(Exception):
    """The technician leaves; everything typed so far is recorded."""


class _Words(Completer):
    """Completes a reply with the words that make sense, and a complaint with the symptoms it fits."""

    def __init__(self, words: Sequence[str] = (), matcher: Matcher | None = None) -> None:
        self.words, self.matcher = words, matcher

    def get_completions(self, document: Document, complete_event: Any) -> Iterable[Completion]:
        text = document.text_before_cursor
        if self.matcher is not None:
            for match in self.matcher.match(text, limit=4) if len(text) >= 3 else []:
                yield Completion(match.title, start_position=-len(text), display=match.title)
            return
        for word in self.words:
            if text and word.startswith(text.lower()) and word != text.lower():
                yield Completion(word, start_position=-len(text))


class Desk:
    """The terminal: prints lines, asks for one line of text."""

    def __init__(self, input: Input | None = None, output: Output | None = None) -> None:
        self.glyphs = Glyphs.best(getattr(sys.stdout, "encoding", None))
        depth = ColorDepth.DEPTH_1_BIT if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" else None
        self.output = output
        self.style = Style.from_dict({**STYLES, "bottom-toolbar": "noreverse", "toolbar": "ansibrightblack"})
        self.depth = depth
        self.prompts: PromptSession[str] = PromptSession(
            input=input, output=output, style=self.style, color_depth=depth
        )

    @property
    def width(self) -> int:
        """Columns of the terminal, at least 40."""
        if self.output is not None:
            return max(self.output.get_size().columns, 40)
        return max(shutil.get_terminal_size((80, 24)).columns - 1, 40)

    @property
    def height(self) -> int:
        """Lines of the terminal."""
        return self.output.get_size().rows if self.output is not None else shutil.get_terminal_size((80, 24)).lines

    def show(self, lines: Iterable[Line]) -> None:
        """Print lines."""
        parts = [
            (f"class:{style}" if style else "", text)
            for i, line in enumerate(lines)
            for style, text in ([("", "\n")] if i else []) + line
        ]
        print_formatted_text(FormattedText(parts), style=self.style, color_depth=self.depth, output=self.output)

    def page(self, lines: Sequence[Line]) -> None:
        """Print lines a screen at a time; Enter goes on, anything else stops. Ctrl-D stops too."""
        height = max(self.height - 2, 5)
        for place in range(0, len(lines), height):
            self.show(lines[place : place + height])
            left = len(lines) - place - height
            try:
                if left > 0 and self.ask(f"-- {left} more lines: Enter goes on, q stops -- ").strip():
                    return
            except Paused:
                return

    def say(self, text: str, style: str = "") -> None:
        """Print a paragraph."""
        self.show(text_lines(text, self.width, style))

    def ask(
        self,
        prompt: str,
        words: Sequence[str] = (),
        matcher: Matcher | None = None,
        toolbar: str = "",
        default: str = "",
    ) -> str:
        """One line of text. Ctrl-C clears what was typed, or pauses on an empty line; Ctrl-D pauses."""
        # Set on the session itself: `prompt(None)` would keep what the last question had.
        self.prompts.completer = _Words(words, matcher)
        self.prompts.bottom_toolbar = [("class:toolbar", toolbar[: self.width])] if toolbar else None
        self.prompts.complete_while_typing = matcher is not None
        while True:
            try:
                return self.prompts.prompt(prompt, default=default)
            except KeyboardInterrupt:
                if self.prompts.default_buffer.text:
                    continue
                raise Paused from None
            except EOFError:
                raise Paused from None
