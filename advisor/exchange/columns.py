"""Which column of a list of remakes holds what: guessed from its heading, or as the user says."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from advisor.exchange.cells import Cell, cell_text
from advisor.issue import Issue, KnowledgeError, nearest
from advisor.tree import parse_tree

__all__ = [
    "FIELDS",
    "NEEDED",
    "ColumnError",
    "Columns",
    "Wish",
    "guess",
    "header_row",
    "known_headings",
    "letter",
    "mapping_text",
]

# Everyday words of headings, English and German; common practice, no source.
_WORDS = {
    "date": "date, day, when, begun, datum, tag, wann, zeitpunkt, am",
    "complaint": (
        "complaint, problem, fault, error, defect, failure, what, what was wrong, description, complaint text, issue, "
        "symptom, beanstandung, reklamation, reklamationsgrund, fehler, fehlerbild, fehlerart, mangel, beschreibung, "
        "was, schaden, störung"
    ),
    "mill": "mill, machine, unit, maschine, fräse, fräsmaschine, fräsgerät, fräseinheit, gerät, anlage",
    "technician": (
        "technician, by, who, operator, staff, initials, done by, techniker, technikerin, zahntechniker, "
        "bediener, bearbeiter, bearbeiterin, mitarbeiter, mitarbeiterin, kürzel, wer, von"
    ),
    "material": "material, work material, block material, werkstoff, blockmaterial",
    "cause": "cause, root cause, reason, why, ursache, grund, fehlerursache, warum",
    "remedy": (
        "remedy, fix, action, measure, action taken, what was done, repair, solution, maßnahme, massnahme, abhilfe, "
        "lösung, behebung, reparatur, was getan"
    ),
    "result": "result, helped, outcome, success, solved, fixed, ergebnis, erfolg, geholfen, gelöst, behoben, wirkung",
    "blocks": (
        "blocks, blocks lost, block, pieces, quantity, scrap, blanks, blöcke, rohlinge, ausschuss, anzahl, menge, "
        "stück, stückzahl, rohling"
    ),
    "minutes": "minutes, min, time, time lost, duration, minuten, zeit, dauer, zeitaufwand, zeitverlust, zeit verloren, aufwand",
    "note": "note, notes, remark, remarks, comment, comments, notiz, notizen, bemerkung, bemerkungen, kommentar, anmerkung",
    "id": (
        "id, no, nr, number, case, case no, case number, job, job no, job number, order, order no, order number, nummer, "
        "fall, fallnummer, auftrag, auftragsnummer, auftragsnr, lfd nr, laufende nummer"
    ),
}
# Words that mean it only when they are the whole heading: `tooth number` is no case, `milling time` is no time lost.
_ALONE = frozenset(
    [
        "day",
        "tag",
        "am",
        "when",
        "wann",
        "what",
        "was",
        "who",
        "wer",
        "by",
        "von",
        "why",
        "warum",
        "no",
        "nr",
        "id",
        "number",
        "nummer",
        "case",
        "fall",
        "job",
        "order",
        "auftrag",
        "unit",
        "time",
        "zeit",
        "min",
        "block",
        "rohling",
        "result",
        "description",
        "beschreibung",
    ]
)
# Headings of people who are none of our business, and of the hour.
_NEVER = ("patient", "kunde", "client", "dentist", "zahnarzt", "praxis", "geburt", "birth", "uhrzeit", "time of day")

FIELDS = tuple(_WORDS)
NEEDED = ("date", "complaint")
SEVERAL = ("note",)


class ColumnError(Exception):
    """A column that was asked for and is not there, or a field nobody knows; the text says what to give instead."""


Columns = dict[str, tuple[int, ...]]
"""Field -> its columns, from 0; more than one only for notes."""


@dataclass(frozen=True)
class Wish:
    """What the user says of the columns: field -> headings, letters or numbers; no heading leaves the field out.

    `whole`: nothing besides is guessed. `order` and `sheet` as in a kept mapping.
    """

    fields: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    whole: bool = False
    order: str | None = None
    sheet: str | None = None

    @classmethod
    def of_pairs(cls, pairs: Sequence[str], base: Wish | None = None) -> Wish:
        """From `field=heading` texts, over `base`. Several for `note` add up. Raises ColumnError."""
        own: dict[str, tuple[str, ...]] = {}
        for pair in pairs:
            name, sign, heading = pair.partition("=")
            name = name.strip().lower()
            if not sign:
                raise ColumnError(f"--map {pair}: write it as field=heading, such as --map date=Datum")
            _known(name, f"--map {pair}")
            given = (heading.strip(),) if heading.strip() else ()
            if name in own and name not in SEVERAL:
                raise ColumnError(f"--map {pair}: {name} was given already; only note takes several columns")
            own[name] = own.get(name, ()) + given
        base = base or cls()
        return cls({**base.fields, **own}, base.whole, base.order, base.sheet)

    @classmethod
    def of_text(cls, text: str, name: str) -> Wish:
        """From the text of a kept mapping (YAML); KnowledgeError with file and line for what does not fit."""
        tree = parse_tree(text, name)

        def wrong(path: tuple[Any, ...], message: str, hint: str) -> KnowledgeError:
            return KnowledgeError([Issue(name, *tree.mark(path), "columns", message, hint)])

        data = tree.data if isinstance(tree.data, dict) else {}
        for key in data:
            if key not in ("columns", "dates", "sheet"):
                hint = nearest(key, ("columns", "dates", "sheet")) or "give columns, dates or sheet"
                raise wrong((key,), f"there is no '{key}' in a mapping", hint)
        columns = data.get("columns")
        if not isinstance(columns, dict) or not columns:
            raise wrong(
                ("columns",), "this is no mapping of columns", "write columns: {date: Datum, complaint: Fehler}"
            )
        fields = {}
        for key, value in columns.items():
            given = value if isinstance(value, list) else [value] if value else []
            if key not in FIELDS:
                raise wrong(("columns", key), f"there is no field '{key}'", nearest(key, FIELDS) or ", ".join(FIELDS))
            if not all(isinstance(v, str) for v in given) or (len(given) > 1 and key not in SEVERAL):
                raise wrong(("columns", key), f"{key} takes one heading", "only note takes a list of them")
            fields[key] = tuple(given)
        order = data.get("dates")
        if order not in (None, "", "day-first", "month-first"):
            raise wrong(("dates",), f"'{order}' is no order of dates", "give day-first or month-first")
        sheet = data.get("sheet") or None
        return cls(fields, True, order or None, str(sheet) if sheet else None)

    def find(self, headings: Sequence[str]) -> Columns:
        """The columns asked for. Raises ColumnError for one that is not there or that several headings fit."""
        return {name: tuple(_column(name, w, headings) for w in wanted) for name, wanted in self.fields.items()}


def mapping_text(columns: Columns, headings: Sequence[str], order: str | None, sheet: str | None) -> str:
    """A mapping to keep, as YAML."""
    import yaml

    plain = [_plain(h) for h in headings]
    named = {
        # a heading that is empty or stands twice is kept by its letter
        name: [headings[c] if plain[c] and plain.count(plain[c]) == 1 else letter(c) for c in chosen]
        for name, chosen in columns.items()
    }
    data: dict[str, Any] = {
        "columns": {k: v if k in SEVERAL and len(v) > 1 else (v or [""])[0] for k, v in named.items()}
    }
    data |= {k: v for k, v in (("dates", order), ("sheet", sheet)) if v}
    text: str = yaml.safe_dump(data, allow_unicode=True, sort_keys=False)
    return text


def guess(headings: Sequence[str]) -> tuple[Columns, dict[str, tuple[int, ...]]]:
    """The columns that are clear from their headings, and for each field that is not, the columns it may be."""
    best: dict[int, tuple[int, list[str]]] = {}
    for column, heading in enumerate(headings):
        scores = {name: s for name in FIELDS if (s := _score(heading, name))}
        if scores:
            top = max(scores.values())
            best[column] = top, [name for name, s in scores.items() if s == top]
    sure: Columns = {}
    unclear: dict[str, tuple[int, ...]] = {}
    for name in FIELDS:
        fitting = {c: score for c, (score, names) in best.items() if name in names}
        top_columns = tuple(c for c, score in fitting.items() if score == max(fitting.values()))
        if (len(top_columns) == 1 and len(best[top_columns[0]][1]) == 1) or (
            top_columns and name in SEVERAL and all(len(best[c][1]) == 1 for c in top_columns)
        ):
            sure[name] = top_columns
        elif top_columns:
            unclear[name] = top_columns
    return sure, unclear


def header_row(rows: Sequence[Sequence[Cell]], wish: Wish) -> int | None:
    """Which of the first rows holds the headings: the one with most headings asked for or known; None if none has."""

    def worth(row: Sequence[Cell]) -> int:
        headings = [cell_text(c) for c in row]
        plain = {_plain(h) for h in headings} - {""}
        asked = sum(_plain(w) in plain for wanted in wish.fields.values() for w in wanted)
        return 3 * asked + known_headings(headings)

    worths = [worth(row) for row in rows]
    top = max(worths, default=0)
    if top == 0:
        return None
    return worths.index(top)


def known_headings(headings: Sequence[str]) -> int:
    """How many different fields some headings name; an exact word counts twice."""
    found: dict[str, int] = {}
    for heading in headings[:256]:
        if len(heading) <= 40:
            for name in FIELDS:
                found[name] = max(found.get(name, 0), _score(heading, name))
    return sum(found.values())


def letter(column: int) -> str:
    """A spreadsheet's letter for a column, from 0: A, B, .. Z, AA."""
    out = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        out = chr(65 + rest) + out
    return out


def _known(name: str, where: str) -> None:
    if name not in FIELDS:
        raise ColumnError(
            f"{where}: there is no field '{name}'; {nearest(name, FIELDS) or 'fields: ' + ', '.join(FIELDS)}"
        )


def _column(name: str, wanted: str, headings: Sequence[str]) -> int:
    plain = [_plain(h) for h in headings]
    found = [c for c, h in enumerate(plain) if h and h == _plain(wanted)]
    if len(found) == 1:
        return found[0]
    if found:
        raise ColumnError(
            f"{name}: {len(found)} columns are headed '{wanted}': give the letter, {' or '.join(map(letter, found))}"
        )
    for column in range(len(headings)):
        if wanted.upper() == letter(column) or wanted == str(column + 1):
            return column
    shown = ", ".join(f"{letter(c)} {h}" for c, h in enumerate(headings) if h)
    hint = nearest(wanted, [h for h in headings if h])
    raise ColumnError(f"{name}: no column is headed '{wanted}'; {hint or f'the list has: {shown}'}")


def _plain(text: str) -> str:
    text = unicodedata.normalize("NFKC", text).casefold()
    return " ".join(re.findall(r"[^\W_]+", text))


_PLAIN = {name: {_plain(word) for word in words.split(",")} for name, words in _WORDS.items()}


def _score(heading: str, name: str) -> int:
    """2 when the heading is a word of the field, 1 when it holds one or is a compound that ends with one."""
    plain = _plain(heading)
    words = _PLAIN[name]
    if not plain or any(word in plain for word in _NEVER):
        return 0
    if plain in words:
        return 2
    partly = words - _ALONE
    return int(any(f" {word} " in f" {plain} " or (len(word) >= 4 and plain.endswith(word)) for word in partly))
