"""The knowledge with the numbers of the shop in it: what a start needs of :mod:`advisor.learning.overlay`, and no more.

The numbers that came out of the counts are cached by the digests of the knowledge and of the overlay's file, so that a
start reads neither YAML nor works anything out.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from advisor.issue import KnowledgeError
from advisor.model import Knowledge
from advisor.vocabulary import FrequencyClass

__all__ = ["NONE", "Numbers", "with_numbers", "with_overlay"]

NONE = "none-of-the-known"


@dataclass(frozen=True)
class Numbers:
    """The learned numbers: per hundred by cause (NONE included), and by cause the share a check shows it with."""

    rates: Mapping[str, float] = field(default_factory=dict)
    shares: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


def with_overlay(kb: Knowledge, path: Path, cache: Path | None = None) -> tuple[Knowledge, list[str]]:
    """The knowledge with the shop's numbers, and what is to be told of them, one line each.

    Never fails: a file that cannot be used is told, and the knowledge stays as it is. `cache`: folder where the numbers
    are kept by the digests of the knowledge and the file.
    """
    try:
        key = hashlib.sha256(kb.digest.encode() + b"\0" + path.read_bytes()).hexdigest()
        kept = cache / f"overlay-{key[:32]}.json" if cache is not None else None
        found = _cached(kept) if kept is not None else None
        if found is None:
            from advisor.learning.overlay import worked_out

            found = worked_out(kb, path, kept)
        numbers, digest, told = found
        return (with_numbers(kb, numbers, digest) if numbers.rates or numbers.shares else kb), told
    except KnowledgeError as error:
        first = error.issues[0]
        what = f"{first.file}:{first.line}:{first.column}: {first.message}"
    except OSError as error:
        what = f"{path} cannot be read: {error.strerror or error}"
    except (KeyError, ValueError, ArithmeticError) as error:
        what = f"{path}:1:1: its numbers cannot be worked out ({error})"
    return kb, [f"{what}. The shop's own numbers are left out; mend the file, or go back with: advisor learn undo"]


def _cached(path: Path) -> tuple[Numbers, str, list[str]] | None:
    try:
        plain = json.loads(path.read_text("utf-8"))
        rates = {str(c): float(v) for c, v in plain["rates"].items()}
        shares = {str(c): {str(k): float(v) for k, v in row.items()} for c, row in plain["shares"].items()}
        return Numbers(rates, shares), str(plain["digest"]), [str(line) for line in plain["told"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def with_numbers(kb: Knowledge, numbers: Numbers, digest: str) -> Knowledge:
    """The knowledge with the learned numbers in it, and `digest` joined to its own by a plus sign.

    A learned share enters as a word of the vocabulary ('41.3 % in this shop'), so that it is read like any other.
    """
    share = kb.vocabulary.share
    words: dict[str, FrequencyClass] = {}
    causes = dict(kb.causes)
    for key in {*numbers.rates, *numbers.shares} - {NONE}:
        cause = causes[key]
        changed: dict[str, object] = {}
        if key in numbers.rates:
            changed["prior"] = cause.prior.model_copy(update={"per_hundred": numbers.rates[key], "evidence": "counted"})
        shares = numbers.shares.get(key, {})
        old = {check: sum(share(x.seen) for x in cause.shows if x.check == check) for check in shares}
        shows = []
        for link in cause.shows:
            if link.check is not None and link.check in shares:
                # rounded down to whole thousandths: outcomes of one check must not come to more than 1
                value = max(int(1000 * shares[link.check] * share(link.seen) / old[link.check] + 1e-9), 1) / 1000
                word = f"{100 * value:.1f} % in this shop"
                words[word] = FrequencyClass(word=word, share=value, low=value, high=value)
                link = link.model_copy(update={"seen": word, "evidence": "counted"})
            shows.append(link)
        if shares:
            changed["shows"] = tuple(shows)
        causes[key] = cause.model_copy(update=changed)
    vocabulary = kb.vocabulary.model_copy(update={"frequency": (*kb.vocabulary.frequency, *words.values())})
    if NONE in numbers.rates:
        unlisted = vocabulary.unlisted.model_copy(update={"per_hundred": numbers.rates[NONE]})
        vocabulary = vocabulary.model_copy(update={"unlisted": unlisted})
    return replace(kb, causes=causes, vocabulary=vocabulary, digest=f"{kb.digest}+{digest}")
