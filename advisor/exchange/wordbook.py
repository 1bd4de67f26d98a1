"""What the words of a list mean in the knowledge: symptoms, causes, remedies, materials. What is not clear is no guess."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping

from rapidfuzz import fuzz

from advisor.compiled import Compiled
from advisor.match import Matcher
from advisor.model import Symptom

__all__ = ["WordBook", "plain_key"]

_NOT = frozenset(
    [
        "no",
        "not",
        "never",
        "without",
        "maybe",
        "perhaps",
        "or",
        "nor",
        "kein",
        "keine",
        "nicht",
        "ohne",
        "vielleicht",
        "oder",
        "nie",
    ]
)
# Everyday and generic names of the materials, English and German.
_MATERIALS = {
    "zirconia": "zirconia, zirconium oxide, zirconium dioxide, zro2, zirkon, zirkonoxid, zirkoniumdioxid, zirkonia, zirkondioxid",
    "glass-ceramic": "glass ceramic, glass, lithium disilicate, disilicate, feldspathic, glaskeramik, lithiumdisilikat, silikatkeramik",
    "resin": "resin, composite, hybrid ceramic, pmma, acrylic, kunststoff, komposit, hybridkeramik, acryl",
    "other": "other, metal, wax, titanium, andere, anderes, sonstige, sonstiges, metall, wachs, titan",
}


def plain_key(text: str) -> str:
    """A text as its words in small letters: what is alike when only case, signs and spaces differ."""
    return " ".join(re.findall(r"[^\W_]+", unicodedata.normalize("NFKC", text).casefold()))


class _Words(Matcher):
    """A matcher that takes only what is clear. It keeps what it found: a list says the same words again and again."""

    def __init__(self, records: Iterable[Symptom], least: float, behind: float, alike: float = 0) -> None:
        """`least`: score that counts as well matched; `behind`: the next one must be below this share of it; `alike`:
        least likeness (0..100) of text and title, so that one word out of many does not mean a long title."""
        super().__init__(records)
        self.least, self.behind, self.alike = least, behind, alike
        self._records = {s.id: s for s in self.symptoms}
        self._said: dict[str, set[str]] = {}
        for s in self.symptoms:
            for phrase in (s.id, s.title, *s.say):
                self._said.setdefault(_bare(phrase), set()).add(s.id)
        self._near_kept: dict[str, list[tuple[str, float]]] = {}
        self._clear_kept: dict[str, str | None] = {}

    def clear(self, text: str) -> str | None:
        """The one record that a text means: well matched, the next one clearly behind, nothing denied or doubted."""
        if "?" in text:
            return None
        key = plain_key(text)
        # teeth, shades and orders have numbers; a few of the knowledge's own phrases have, too
        words = " ".join(w for w in key.split() if not any(ch.isdigit() for ch in w))
        said = self._said.get(_bare(key)) or self._said.get(_bare(words))
        if said:
            return next(iter(said)) if len(said) == 1 else None
        if words not in self._clear_kept:
            self._clear_kept[words] = self._matched(words)
        return self._clear_kept[words]

    def _matched(self, words: str) -> str | None:
        found = self.match(words)
        if not found or found[0].score < self.least:
            return None
        record = self._records[found[0].symptom]
        likeness = fuzz.token_sort_ratio(words, plain_key(record.title))
        close = len(found) > 1 and found[1].score >= self.behind * found[0].score and likeness < 99
        own = set(plain_key(" ".join((record.title, *record.say))).split())
        denied = (_NOT & set(words.split())) - own
        return None if close or denied or likeness < self.alike else record.id

    def _near(self, typed: str) -> list[tuple[str, float]]:
        if typed not in self._near_kept:
            self._near_kept[typed] = super()._near(typed)
        return self._near_kept[typed]


class WordBook:
    """What the words of a list mean in a knowledge base. Whatever is not clear is None or empty, never a guess."""

    def __init__(self, compiled: Compiled) -> None:
        kb = compiled.kb
        self._symptoms = _Words(kb.symptoms.values(), 0.75, 0.7)
        self._causes = _titles({c.id: c.title for c in kb.causes.values()})
        self._remedies = _titles({r.id: r.title for r in kb.remedies.values()})
        entry = compiled.setting_fields.get("material")
        self._choices = entry.choices if entry is not None and entry.choices else ()
        self._materials = {w: m for m, words in _MATERIALS.items() for w in map(plain_key, words.split(","))}

    def symptoms(self, text: str) -> tuple[str, ...]:
        """The symptoms a complaint names."""
        parts = [p for p in re.split(r"\s+and\s+|\s+und\s+|[,;/+]", text) if p.strip()]
        each = [self._symptoms.clear(part) for part in parts]
        if len(parts) > 1 and all(each):
            return tuple(dict.fromkeys(s for s in each if s))
        whole = self._symptoms.clear(text)
        return (whole,) if whole else ()

    def cause(self, text: str) -> str | None:
        """The cause a text names by its id or by the words of its title."""
        return self._causes.clear(text)

    def remedy(self, text: str) -> str | None:
        """The remedy a text names by its id or by the words of its title."""
        return self._remedies.clear(text)

    def material(self, text: str) -> str | None:
        """The material, by its id or an everyday word for it."""
        key = plain_key(text)
        found = next((c for c in self._choices if plain_key(c) == key), None) or self._materials.get(key)
        return found if found in self._choices else None


def _bare(text: str) -> str:
    return " ".join(w for w in plain_key(text).split() if w not in ("the", "a", "an"))


def _titles(titles: Mapping[str, str]) -> _Words:
    # the matcher weighs words of titles as it does those of symptoms
    records = (Symptom.model_construct(id=key, title=title, say=()) for key, title in titles.items())
    return _Words(records, 0.8, 0.8, 55)
