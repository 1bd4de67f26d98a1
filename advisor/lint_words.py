"""Checks of wording for the shop floor: sentence length, reading level, spelling."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from advisor.issue import Issue
from advisor.lint_base import LintCheck, examples
from advisor.model import Knowledge

__all__ = ["Readable", "ShortSentences", "Spelling", "Unfinished", "grade", "texts"]

LONGEST = 25
GRADE = 9.0
_PROSE = (
    "because",
    "why",
    "text",
    "title",
    "ask",
    "how",
    "expect",
    "confuse",
    "steps",
    "proof",
    "label",
    "needs",
    "stop",
    "sound",
)
_WITHIN = ("outcomes", "shows", "remedies", "setting", "then", "refer")
_KINDS = ("symptoms", "causes", "checks", "remedies", "rules", "findings", "cautions", "care", "inseparable")


def texts(kb: Knowledge) -> Iterator[tuple[tuple[Any, ...], str]]:
    """Every text a technician may read, with its path."""
    for kind in _KINDS:
        for record in kb.kind(kind).values():
            for path, text in _below(record.model_dump(exclude_none=True)):
                yield (kind, record.id, *path), text


def _below(data: Any) -> Iterator[tuple[tuple[Any, ...], str]]:
    if isinstance(data, dict):
        for key, value in data.items():
            if key in _PROSE or key in _WITHIN:
                yield from (((key, *path), text) for path, text in _below(value))
    elif isinstance(data, list | tuple):
        for index, value in enumerate(data):
            yield from (((index, *path), text) for path, text in _below(value))
    elif isinstance(data, str):
        yield (), data


def _sentences(text: str) -> list[list[str]]:
    return [
        words
        for part in re.split(r"(?<=[.;:!?])\s+", text)
        if (words := re.findall(r"[^\W\d_]+(?:['\-][^\W\d_]+)*", part))
    ]


@lru_cache(maxsize=1)
def _hyphens() -> Any:
    import pyphen

    return pyphen.Pyphen(lang="en_GB", left=1, right=1)


@lru_cache(maxsize=8192)
def _syllables(word: str) -> int:
    return len(_hyphens().positions(word)) + 1


def grade(parts: list[str]) -> float:
    """Reading grade of some texts: 0.39 words/sentence + 11.8 syllables/word - 15.59 (Kincaid et al. 1975). Syllables
    are counted by hyphenation, which errs to fewer."""
    sentences = [s for text in parts for s in _sentences(text)]
    words = [w for s in sentences for w in s]
    if not words:
        return 0.0
    return 0.39 * len(words) / len(sentences) + 11.8 * sum(map(_syllables, words)) / len(words) - 15.59


class Unfinished(LintCheck):
    """No text still says TODO, as those of a new entry do."""

    code = "todo"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        beside = (((*path, "because"), example.because) for path, example in examples(kb))
        for path, text in (*texts(kb), *beside):
            if re.search(r"\bTODO\b", text):
                yield self.issue(kb, path, "a TODO is left here", "write what is asked for in its place")


class ShortSentences(LintCheck):
    """No sentence has more than 25 words."""

    code = "long"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        for path, text in texts(kb):
            longest = max((len(s) for s in _sentences(text)), default=0)
            if longest > LONGEST:
                yield self.issue(kb, path, f"a sentence of {longest} words", f"break it up: {LONGEST} at most")


class Readable(LintCheck):
    """What has to be done with gloves on reads at school grade 9 or below."""

    code = "grade"
    severity = "advice"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        for kind, fields in (("checks", ("how",)), ("remedies", ("steps",)), ("care", ("steps",))):
            for record in kb.kind(kind).values():
                level = grade([t for f in fields for t in getattr(record, f)])
                if level > GRADE:
                    yield self.issue(
                        kb,
                        (kind, record.id, fields[0]),
                        f"reads at grade {level:.0f}",
                        "use shorter words and sentences",
                    )


class Spelling(LintCheck):
    """Every word is in the English dictionary or among the vocabulary's trade words."""

    code = "spelling"
    severity = "advice"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        if not kb.vocabulary.words:
            return  # a base without a word list is not spell-checked
        dictionary, trade = _dictionary(), {w.lower() for w in kb.vocabulary.words}
        told: set[str] = set()
        for path, text in texts(kb):
            for word in re.findall(r"(?<![\w'])[A-Za-z][a-z]{2,}(?:'[a-z]+)?(?![\w'])", text):
                plain = word.lower().removesuffix("'s")
                if plain in told or plain in trade or dictionary.known([plain, plain.removesuffix("s")]):
                    continue
                told.add(plain)
                near = dictionary.correction(plain) if len(plain) < 14 else None
                hint = f"'{near}'?" if near and near != plain else "mend it"
                yield self.issue(
                    kb, path, f"'{word}' is in no dictionary", f"{hint} or add it to the vocabulary's 'words'"
                )


@lru_cache(maxsize=1)
def _dictionary() -> Any:
    from spellchecker import SpellChecker

    return SpellChecker(language="en", distance=1)
