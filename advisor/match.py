"""A complaint in everyday words -> symptoms, best first. Typos, word order and endings do not matter."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from rapidfuzz import fuzz
from rapidfuzz.distance import OSA

from advisor.model import Symptom

__all__ = ["Match", "Matcher"]

_STOP = {
    "the",
    "a",
    "an",
    "is",
    "are",
    "of",
    "on",
    "in",
    "at",
    "to",
    "and",
    "it",
    "my",
    "our",
    "with",
    "when",
    "has",
    "have",
    "there",
    "keeps",
    "keep",
    "very",
    "this",
    "that",
    "we",
    "i",
    "again",
    "always",
    "was",
    "after",
    "or",
    "from",
    "s",
}


@dataclass(frozen=True)
class Match:
    """A symptom with its score in 0..1."""

    symptom: str
    title: str
    score: float


def _plain(text: str) -> list[str]:
    found = re.findall(r"[^\W_]+", text.lower().replace("'", "").replace("\u2019", ""))
    return [w for w in found if w not in _STOP]


def _words(text: str) -> list[str]:
    return [_stem(w) for w in _plain(text)]


def _stem(word: str) -> str:
    for ending in ("ings", "ing", "ers", "ies", "ed", "es", "s", "e"):
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            word = word[: -len(ending)]
            break
    return word[:-1] if len(word) > 3 and word[-1] == word[-2] and word[-1] not in "aeiou" else word


class Matcher:
    """Weighs words by how few symptoms use them, so `burr` says less than `snapped`."""

    def __init__(self, symptoms: Iterable[Symptom]) -> None:
        self.symptoms = list(symptoms)
        self.phrases = {s.id: [set(_words(p)) for p in (s.title, *s.say)] for s in self.symptoms}
        self.vocabulary = {s.id: set().union(*self.phrases[s.id]) for s in self.symptoms}
        self.raw = {w: _stem(w) for s in self.symptoms for p in (s.title, *s.say) for w in _plain(p)}
        counts = Counter(w for words in self.vocabulary.values() for w in words)
        self.weight = {w: math.log(1 + len(self.symptoms) / n) for w, n in counts.items()}
        self.unseen = math.log(1 + len(self.symptoms)) * 0.6

    def match(self, text: str, limit: int = 5) -> list[Match]:
        """The best symptoms for a complaint; empty when nothing fits."""
        words = _plain(text[:300])
        if not words:
            return []
        found = []
        near = {w: self._near(w) for w in words}
        for symptom in self.symptoms:
            total = hit = 0.0
            used: dict[str, float] = {}
            for word in words:
                best = max(
                    ((s * self.weight[v], v, s) for v, s in near[word] if v in self.vocabulary[symptom.id]),
                    default=None,
                )
                top = max((self.weight[v] for v, _ in near[word]), default=self.unseen)
                total += top
                if best:
                    hit += best[0]
                    used[best[1]] = best[2]
            if not used:
                continue
            phrase = max(len(p & used.keys()) / max(len(p), 1) for p in self.phrases[symptom.id])
            together = max(sum(self.weight[v] for v in p & used.keys()) for p in self.phrases[symptom.id]) / max(
                total, 1e-9
            )
            score = hit / total * 0.55 + min(together, 1.0) * 0.3 + phrase * 0.15
            found.append(Match(symptom.id, symptom.title, round(score, 4)))
        found.sort(key=lambda m: (-m.score, m.symptom))
        return [m for m in found if m.score >= 0.2][:limit]

    def _near(self, typed: str) -> list[tuple[str, float]]:
        """Known stems close to a typed word, with the likeness in 0..1. A typo may sit in the ending, so whole words are
        compared as well as stems."""
        word = _stem(typed)
        likeness: dict[str, float] = {}

        def note(stem: str, value: float) -> None:
            likeness[stem] = max(value, likeness.get(stem, 0.0))

        for known in self.weight:
            if known == word:
                note(known, 1.0)
            elif len(word) >= 3 and known.startswith(word):
                note(known, 0.9)
        for known, stem in (*((w, w) for w in self.weight), *self.raw.items()):
            for mine in {word, typed}:
                if len(mine) >= 4 and len(known) >= 4 and mine != known:
                    distance = OSA.distance(mine, known, score_cutoff=2)
                    if distance <= (1 if min(len(mine), len(known)) < 7 else 2):
                        note(stem, fuzz.ratio(mine, known) / 100)
        return sorted(likeness.items())
