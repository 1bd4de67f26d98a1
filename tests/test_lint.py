"""The linter: one bad base for each thing it looks at, its clean twin, and the shipped knowledge."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from small_base import SmallBase, write_base

from advisor.lint import CHECKS, broken, lint
from advisor.lint_trust import RatesAddUp
from advisor.lint_words import grade
from advisor.load import load_knowledge, shipped

WORN, LOOSE, AIR = (f"causes/{name}.yaml" for name in ("burr/burr-worn", "burr/burr-loose", "air/air-low"))
RULES, CHECK_FILE = "rules.yaml", "checks.yaml"
Edit = tuple[str, str, str]


@dataclass(frozen=True)
class Bad:
    """A base made bad by `edits`: `code` at the line of `file` that holds `at`; `twin` are edits that stay clean."""

    name: str
    code: str
    file: str
    at: str
    edits: list[Edit]
    twin: list[Edit] = field(default_factory=list)
    said: str = ""

    def __str__(self) -> str:
        return self.name


def rule(text: str) -> Edit:
    """A rule added at the end of the list of rules."""
    end = "    because: The next step is at the air line.\n    source: common-practice\n"
    return (RULES, end, end + "".join(f"  {line}\n" for line in text.strip().splitlines()))


def made(name: str, when: str, then: str, part: str = "when") -> str:
    return f"- id: {name}\n  {part}: [{when}]\n  then: {{{then}}}\n  because: It is so.\n  source: common-practice"


STOP = "stop: Stop and ask."
FIRM, MOVES = ("answer: {check: burr-tug, outcome: " + outcome + "}" for outcome in ("firm", "moves"))


def pair(causes: str, remedy: str, source: str = "geometry") -> Edit:
    """Causes declared inseparable."""
    lines = f"""\
inseparable:
  - id: at-the-burr
    causes: [{causes}]
    because: Both sit in the tip.
    remedy: {remedy}
    source: {source}
"""
    return ("inseparable.yaml", "", lines)


def task(prevents: str = "burr-worn", hazards: str = "sharp-burr", source: str = "geometry") -> Edit:
    """A task of the care plan."""
    lines = f"""\
care:
  - id: brush-burrs
    title: Brush the burrs
    every: day
    minutes: 2
    steps: [Brush each burr.]
    sound: No resin sticks to them.
    hazards: [{hazards}]
    prevents: [{prevents}]
    because: Clean grains stay cool.
    source: {source}
"""
    return ("care.yaml", "", lines)


def hundred(share: str) -> Edit:
    """So many of 100 bad results are said to show chips."""
    return ("symptoms.yaml", "    ask: Are there", f"    per_hundred: {share}\n    ask: Are there")


def shake(minutes: str) -> list[Edit]:
    """A second trial that tells the loose burr, less well than the tug does."""
    text = f"""\
  - id: burr-shake
    title: Shake of the burr
    ask: Does the burr rattle when tapped?
    kind: trial
    system: burr
    minutes: {minutes}
    prep: [cabin-open]
    how: [Tap the burr lightly.]
    expect: It makes no sound.
    confuse: Rattle of the cover.
    source: geometry
    outcomes: [{{id: quiet, label: no sound}}, {{id: rattles, label: it rattles}}]
"""
    link = "  - {check: burr-shake, outcome: rattles, seen: frequent, because: it has play, source: geometry}\n"
    return [
        (CHECK_FILE, "  - id: since-when", text + "  - id: since-when"),
        (LOOSE, "remedies:\n", link + "remedies:\n"),
    ]


# The loose burr shows what the worn one does: no check tells them.
ALIKE: list[Edit] = [
    (LOOSE, "check: burr-tug, outcome: moves", "check: burr-look, outcome: blunt"),
    (WORN, "outcome: gradual", "outcome: sudden"),
    (AIR, "outcome: sudden, seen: occasional", "outcome: gradual, seen: occasional"),
    (AIR, "remedies:\n", "  - {check: burr-tug, outcome: moves, seen: very rare, because: it stalls, source: geometry}\nremedies:\n"),
]  # fmt: skip
CHANGED: Edit = (LOOSE, "remedies:\n", "remedies:\n  - {remedy: change-burr, cures: frequent, because: it is clamped anew, source: geometry}\n")  # fmt: skip
GAUGED: list[Edit] = [
    (LOOSE, "remedies:\n", "  - {check: air-gauge, outcome: low, seen: very rare, because: it stalls, source: geometry}\nremedies:\n"),
]  # fmt: skip
# A cause of neglect.
NEGLECT: list[Edit] = [
    ("vocabulary.yaml", "    - {id: pattern, title: pattern of the trouble}", "    - {id: pattern, title: pattern of the trouble}\n    - {id: care, title: care}"),
    (
        "causes/care/never-oiled.yaml",
        "",
        """\
id: never-oiled
title: Clamp never oiled
system: care
why: A dry clamp does not close, so that the burr gives.
prior: {per_hundred: 2, source: common-practice}
shows:
  - {symptom: chips, seen: frequent, because: the tip strikes the edge, source: common-practice}
  - {check: air-gauge, outcome: low, seen: frequent, because: it leaks, source: common-practice}
  - {check: burr-tug, outcome: moves, seen: occasional, because: nothing holds it, source: geometry}
remedies:
  - {remedy: clamp-burr, cures: occasional, because: then it is held, source: common-practice}
""",
    ),
    (
        "causes/care/never-oiled.cases.yaml",
        "",
        """\
ranks:
  - {because: both show, symptoms: [chips], answers: {burr-tug: moves, air-gauge: low}, within: 1}
quiet:
  - {because: the gauge holds, symptoms: [chips], answers: {air-gauge: ok}, below: 0.2}
""",
    ),
]  # fmt: skip


def counted(seen: str) -> list[Edit]:
    """The changes that make an honest count of the last link of the air's cause."""
    new = f"seen: {seen}, evidence: counted, because: another machine joined the line, source: shop-log"
    return [
        (AIR, "seen: occasional, because: another machine joined the line, source: common-practice", new),
        (
            "sources.yaml",
            "sources:\n",
            "sources:\n  - {id: shop-log, title: counted in the log of the lab, known: read}\n",
        ),
    ]


BAD = [
    # reference
    # count
    Bad("count that nobody counted", "count", LOOSE, "{symptom: chips, seen: 5/6", [(LOOSE, "symptom: chips, seen: frequent", "symptom: chips, seen: 5/6")], [(LOOSE, "symptom: chips, seen: frequent", "symptom: chips, seen: occasional")]),
    Bad("cure that nobody counted", "count", LOOSE, "cures: 5/6", [(LOOSE, "cures: very frequent", "cures: 5/6")]),
    Bad("source of a check", "reference", CHECK_FILE, "source: geometri", [(CHECK_FILE, "instrument: inlet-gauge\n    source: common-practice", "instrument: inlet-gauge\n    source: geometri")], [(CHECK_FILE, "instrument: inlet-gauge\n    source: common-practice", "instrument: inlet-gauge\n    source: geometry")], "geometri"),
    Bad("source of a link", "reference", AIR, "outcome: sudden", [(AIR, "the line, source: common-practice", "the line, source: comon-practice")], [(AIR, "the line, source: common-practice", "the line, source: geometry")]),
    Bad("source of a prior", "reference", AIR, "per_hundred", [(AIR, "8, source: common-practice", "8, source: hearsay")]),
    Bad("source of a setting", "reference", WORN, "field: burr_hours", [(WORN, "used up, source: common-practice", "used up, source: hearsay")]),
    Bad("source of a cure", "reference", WORN, "remedy: change-burr", [(WORN, "cut again, source: common-practice", "cut again, source: hearsay")]),
    Bad("system of a check", "reference", CHECK_FILE, "system: patern", [(CHECK_FILE, "system: pattern", "system: patern")], [(CHECK_FILE, "system: pattern", "system: air")]),
    Bad("family of a symptom", "reference", "symptoms.yaml", "family: surface", [("symptoms.yaml", "title: Margin chipped\n    family: margins", "title: Margin chipped\n    family: surface")]),
    Bad("hazard of a check", "reference", CHECK_FILE, "hazards: [moving-axis]", [(CHECK_FILE, "hazards: [moving-axes]", "hazards: [moving-axis]")], said="moving-axes"),
    Bad("preparation of a remedy", "reference", "remedies.yaml", "prep: [cabin-opened]", [("remedies.yaml", "prep: [cabin-open]", "prep: [cabin-opened]")], [("remedies.yaml", "prep: [cabin-open]", "prep: [mill-cutting]")]),
    Bad("instrument of a check", "reference", CHECK_FILE, "instrument: inlet-gage", [(CHECK_FILE, "instrument: inlet-gauge", "instrument: inlet-gage")]),
    Bad("calculation of a check", "calculation", CHECK_FILE, "calc: {name: leak-dekay", [(CHECK_FILE, "instrument: inlet-gauge\n", "instrument: inlet-gauge\n    calc: {name: leak-dekay, figure: leak}\n")], said="leak-decay"),
    Bad("figure of a calculation", "calculation", CHECK_FILE, "calc: {name", [(CHECK_FILE, "instrument: inlet-gauge\n", "instrument: inlet-gauge\n    calc: {name: leak-decay, figure: leek}\n")], said="leak"),
    Bad("unit of a calculation", "calculation", CHECK_FILE, "calc: {name", [(CHECK_FILE, "instrument: inlet-gauge\n", "instrument: inlet-gauge\n    calc: {name: leak-decay, figure: leak}\n")], said="MPa"),
    Bad("classes of a calculation", "calculation", CHECK_FILE, "calc: {name", [(CHECK_FILE, "system: pattern\n", "system: pattern\n    calc: {name: leak-decay}\n")], said="classes"),
    Bad("mill field of a limit", "reference", CHECK_FILE, "id: low,", [(CHECK_FILE, "to: 0.9 x inlet_pressure", "to: 0.9 x inlet_presure")]),
    Bad("symptom of a link", "reference", LOOSE, "symptom: chip,", [(LOOSE, "symptom: chips", "symptom: chip")], said="chips"),
    Bad("check of a link", "reference", LOOSE, "check: bur-tug", [(LOOSE, "check: burr-tug", "check: bur-tug")], said="burr-tug"),
    Bad("outcome of a link", "reference", LOOSE, "outcome: mooves", [(LOOSE, "outcome: moves", "outcome: mooves")], said="moves"),
    Bad("remedy of a cause", "reference", LOOSE, "remedy: clamp-bur", [(LOOSE, "remedy: clamp-burr", "remedy: clamp-bur")]),
    Bad("setting field", "reference", WORN, "field: burr_hour,", [(WORN, "field: burr_hours", "field: burr_hour")], said="burr_hours"),
    Bad("choice of a setting", "reference", WORN, "field: material", [(WORN, "is: glass-ceramic", "is: wax")], [(WORN, "is: glass-ceramic", "is: resin")], "glass-ceramic, resin"),
    Bad("symptom of a rule", "reference", RULES, "- {symptom: slow-cuts}", [(RULES, "      - {symptom: slow-cut}\n    then", "      - {symptom: slow-cuts}\n    then")]),
    Bad("finding of a rule", "reference", RULES, "- {finding: short-of-airs}", [(RULES, "- {finding: short-of-air}", "- {finding: short-of-airs}")]),
    Bad("negated check of a rule", "reference", RULES, "- not: {check: air-gage", [(RULES, "- {check: air-gauge, is: [low]}", "- not: {check: air-gage, is: [low]}")]),
    Bad("outcome in a rule", "reference", RULES, "is: [lo]", [(RULES, "is: [low]", "is: [lo]")], said="low"),
    Bad("setting of a rule", "reference", RULES, "when: [{setting: burr_hour,", [rule(made("strange", "{setting: burr_hour, above: 3}", STOP))], [rule(made("strange", "{setting: burr_hours, above: 3}", STOP))]),
    Bad("remedy of a rule", "reference", RULES, "when: [{remedy: change-bur,", [rule(made("strange", "{remedy: change-bur, is: helped}", STOP))], [rule(made("strange", "{remedy: change-burr, is: helped}", STOP))]),
    Bad("excluded cause", "reference", RULES, "exclude: air-lo}", [(RULES, "exclude: air-low", "exclude: air-lo")]),
    Bad("raised caution", "reference", RULES, "caution: hose-whip}", [(RULES, "caution: hose-whips", "caution: hose-whip")]),
    Bad("check put first", "reference", RULES, "first: {check: air-gage", [(RULES, "first: {check: air-gauge", "first: {check: air-gage")]),
    Bad("check put later", "reference", RULES, "before: [bur-look]", [(RULES, "before: [burr-look]", "before: [bur-look]")], [(RULES, "before: [burr-look]", "before: [burr-look, change-burr]")]),
    Bad("answer of a rule", "reference", RULES, "outcome: mooves", [rule(made("strange", "{symptom: chips}", "answer: {check: burr-tug, outcome: mooves}"))], [rule(made("strange", "{symptom: chips}", "answer: {check: burr-tug, outcome: moves}"))], "moves"),
    Bad("applies of a check", "reference", CHECK_FILE, "applies: [{setting: process", [(CHECK_FILE, "    needs: [loupe]\n", "    applies: [{setting: process, is: dry}]\n")], [(CHECK_FILE, "    needs: [loupe]\n", "    applies: [{setting: material, is: resin}]\n")]),
    Bad("rival of an example", "reference", "causes/burr/burr-worn.cases.yaml", "- because: the tip is sharp", [("causes/burr/burr-worn.cases.yaml", "rival: burr-loose", "rival: burr-lose")]),
    Bad("answer of an example", "reference", "causes/burr/burr-worn.cases.yaml", "- because: seen with the loupe", [("causes/burr/burr-worn.cases.yaml", "burr-look: blunt", "burr-look: blut")], [("causes/burr/burr-worn.cases.yaml", "burr-look: blunt", "burr-look: unknown")]),
    Bad("symptom of an example", "reference", "causes/air/air-low.cases.yaml", "read on the gauge", [("causes/air/air-low.cases.yaml", "gauge\n    symptoms: [slow-cut]", "gauge\n    symptoms: [slow-cuts]")]),
    Bad("check of an example", "reference", "causes/air/air-low.cases.yaml", "read on the gauge", [("causes/air/air-low.cases.yaml", "air-gauge: 0.4", "air-gage: 0.4")]),
    Bad("setting of an example", "reference", "causes/burr/burr-worn.cases.yaml", "seen with the loupe", [("causes/burr/burr-worn.cases.yaml", "burr_hours", "burr_hour")]),
    Bad("hazard of a caution", "reference", "cautions.yaml", "id: hands-clear", [("cautions.yaml", "covers: [sharp-burr, moving-axes]", "covers: [sharp-burr, moving-axes, dust]")]),
    Bad("examples of no cause", "reference", "causes/air/air-lo.cases.yaml", "quiet: []", [("causes/air/air-lo.cases.yaml", "", "quiet: []\n")]),
    Bad("kind of check without error rates", "reference", "vocabulary.yaml", "kind: ask", [("vocabulary.yaml", "    - {kind: trial, miss: 0, alarm: 0, no_answer: 0.1}\n", "")], [("vocabulary.yaml", "    - {kind: trial, miss: 0, alarm: 0, no_answer: 0.1}\n", ""), (CHECK_FILE, "kind: trial", "kind: look")], "trial"),
    Bad("reading of a check that has none", "reference", "causes/burr/burr-worn.cases.yaml", "seen with the loupe", [("causes/burr/burr-worn.cases.yaml", "burr-look: blunt", "burr-look: 3 mm")]),
    # number
    Bad("limit on a look", "number", RULES, "when: [{check: burr-look", [rule(made("strange", "{check: burr-look, above: 3}", STOP))], [rule(made("strange", "{check: air-gauge, above: 0.3}", STOP))], "burr-look"),
    Bad("limit on a choice", "number", RULES, "not: {setting: material", [rule(made("strange", "{symptom: chips}, not: {setting: material, below: 3}", STOP))], [rule(made("strange", "{symptom: chips}, not: {setting: burr_hours, below: 3}", STOP))], "material"),
    Bad("limit on a choice of a cause", "number", WORN, "field: material", [(WORN, "is: glass-ceramic", "above: 3")]),
    Bad("word for a number", "number", WORN, "field: burr_hours", [(WORN, "above: 20", "is: many")], [(WORN, "above: 20", "below: 20")]),
    Bad("setting of an example out of reach", "number", "causes/burr/burr-worn.cases.yaml", "seen with the loupe", [("causes/burr/burr-worn.cases.yaml", "burr_hours: 30 h", "burr_hours: 3000 h")], [("causes/burr/burr-worn.cases.yaml", "burr_hours: 30 h", "burr_hours: 300 min")]),
    Bad("setting of an example in another unit", "number", "causes/burr/burr-worn.cases.yaml", "seen with the loupe", [("causes/burr/burr-worn.cases.yaml", "burr_hours: 30 h", "burr_hours: 30 mm")]),
    # frequency
    Bad("word of a link", "frequency", AIR, "seen: ocasional", [(AIR, "seen: occasional", "seen: ocasional")], counted("2/9"), "occasional"),
    Bad("count of a link", "frequency", AIR, "seen: 7/6", [(AIR, "seen: occasional", "seen: 7/6")], counted("3/6")),
    Bad("word of a cure", "frequency", AIR, "remedy: raise-air", [(AIR, "cures: frequent", "cures: mostly")]),
    Bad("word of a symptom", "frequency", "symptoms.yaml", "background: seldom", [("symptoms.yaml", "    ask: Are there", "    background: seldom\n    ask: Are there")], [("symptoms.yaml", "    ask: Are there", "    background: occasional\n    ask: Are there")]),
    Bad("word of an outcome", "frequency", CHECK_FILE, "background: seldom", [(CHECK_FILE, "bright and bare, background: rare", "bright and bare, background: seldom")]),
    Bad("sum of a cause", "frequency", WORN, "- {symptom: chips", [(WORN, "remedies:\n", "  - {check: since-when, outcome: sudden, seen: very frequent, because: it broke, source: geometry}\nremedies:\n")], [(WORN, "remedies:\n", "  - {check: since-when, outcome: sudden, seen: frequent, because: it broke, source: geometry}\nremedies:\n")], "1.40"),
    Bad("sum of backgrounds", "frequency", CHECK_FILE, "- {id: always", [(CHECK_FILE, "over days, background: occasional", "over days, background: very frequent")], [(CHECK_FILE, "over days, background: occasional", "over days, background: frequent")], "1.10"),
    Bad("background of the normal", "frequency", CHECK_FILE, "- {id: firm", [(CHECK_FILE, "label: does not move", "label: does not move, background: frequent")], [(CHECK_FILE, "label: moves or turns", "label: moves or turns, background: rare")]),
    # double-link
    Bad("symptom twice", "double-link", LOOSE, "seen: occasional", [(LOOSE, "  - {check: burr-tug", "  - {symptom: chips, seen: occasional, because: it rings, source: geometry}\n  - {check: burr-tug")], [(LOOSE, "  - {check: burr-tug", "  - {symptom: slow-cut, seen: occasional, because: it rings, source: geometry}\n  - {check: burr-tug")], "chips"),
    Bad("outcome twice", "double-link", LOOSE, "seen: very rare", [(LOOSE, "remedies:\n", "  - {check: since-when, outcome: sudden, seen: very rare, because: it slips, source: geometry}\nremedies:\n")], [(LOOSE, "remedies:\n", "  - {check: since-when, outcome: gradual, seen: very rare, because: it slips, source: geometry}\nremedies:\n")]),
    Bad("link to the normal", "double-link", LOOSE, "outcome: always", [(LOOSE, "outcome: sudden", "outcome: always")], [(LOOSE, "outcome: sudden", "outcome: gradual")]),
    # cause-check
    Bad("no symptom", "cause-check", LOOSE, "id: burr-loose", [(LOOSE, "  - {symptom: chips, seen: frequent, because: the tip strikes the edge, source: common-practice}\n", ""), (AIR, "remedies:\n", "  - {symptom: chips, seen: occasional, because: it stalls, source: geometry}\nremedies:\n")], [(AIR, "remedies:\n", "  - {symptom: chips, seen: occasional, because: it stalls, source: geometry}\nremedies:\n")], "symptom"),
    Bad("one check", "cause-check", LOOSE, "id: burr-loose", [(LOOSE, "  - {check: since-when, outcome: sudden, seen: frequent, because: it begins with the change of burr, source: common-practice}\n", "")], said="two checks"),
    Bad("questions only", "cause-check", LOOSE, "id: burr-loose", [(CHECK_FILE, "kind: trial", "kind: ask")], [(CHECK_FILE, "kind: trial", "kind: look")], "questions"),
    # check-use
    Bad("check without cause", "check-use", CHECK_FILE, "id: bystander", [(CHECK_FILE, "  - id: since-when", "  - id: bystander\n    title: By the way\n    ask: Is it sunny?\n    kind: ask\n    system: air\n    minutes: 1\n    source: geometry\n    outcomes: [{id: fair, label: sunny}, {id: dull, label: cloudy}]\n  - id: since-when"), rule(made("sun", "{check: bystander, is: dull}", STOP))]),
    Bad("outcome without link", "check-use", CHECK_FILE, "id: bent", [(CHECK_FILE, "      - {id: blunt", "      - {id: bent, label: not straight}\n      - {id: blunt")], [(CHECK_FILE, "      - {id: blunt", "      - {id: bent, label: not straight}\n      - {id: blunt"), rule(made("bent", "{check: burr-look, is: bent}", STOP))]),
    # symptom
    Bad("symptom of one cause", "symptom", "symptoms.yaml", "id: slow-cut", [(WORN, "  - {symptom: slow-cut, seen: frequent, because: the mill lowers its feed, source: common-practice}\n", "")]),
    # unreachable
    Bad("symptom without a cause", "unreachable", "symptoms.yaml", "id: noise", [("symptoms.yaml", "  - id: slow-cut", "  - id: noise\n    title: It is loud\n    family: margins\n    say: [loud, squeals, howls]\n    ask: Is it loud?\n  - id: slow-cut")], [("symptoms.yaml", "  - id: slow-cut", "  - id: noise\n    title: It is loud\n    family: margins\n    say: [loud, squeals, howls]\n    ask: Is it loud?\n  - id: slow-cut"), *[(file, "shows:\n", "shows:\n  - {symptom: noise, seen: frequent, because: it rubs, source: geometry}\n") for file in (WORN, LOOSE)]], "remedy"),
    # unused
    Bad("remedy unused", "unused", "remedies.yaml", "id: spare", [("remedies.yaml", "  - id: raise-air", "  - id: spare\n    title: Do a thing\n    minutes: 1\n    steps: [Do it.]\n    proof: It is done.\n    proof_minutes: 1\n    source: geometry\n  - id: raise-air")], said="cause"),
    Bad("caution unused", "unused", "cautions.yaml", "id: hose-whips", [(RULES, "then: {caution: hose-whips}", f"then: {{{STOP}}}")], [("cautions.yaml", "covers: [sharp-burr, moving-axes]", "covers: [sharp-burr]"), ("cautions.yaml", "    signal: warning\n", "    signal: warning\n    covers: [moving-axes]\n"), (RULES, "then: {caution: hose-whips}", f"then: {{{STOP}}}")]),
    Bad("finding never derived", "unused", RULES, "id: short-of-air,", [(RULES, "then: {derive: short-of-air}", f"then: {{{STOP}}}")], said="derives"),
    Bad("finding never awaited", "unused", RULES, "id: short-of-air,", [(RULES, "- {finding: short-of-air}", "- {symptom: slow-cut}")], said="waits"),
    Bad("instrument unused", "unused", "instruments.yaml", "id: spare", [("instruments.yaml", "instruments:\n", "instruments:\n  - {id: spare, title: spare one, quantity: time, unit: s, error: 1, source: geometry}\n")]),
    Bad("source unused", "unused", "sources.yaml", "id: spare", [("sources.yaml", "sources:\n", "sources:\n  - {id: spare, title: spare one, known: memory}\n")], [("sources.yaml", "sources:\n", "sources:\n  - {id: spare, title: spare one, known: memory}\n"), (AIR, "8, source: common-practice", "8, source: spare")]),
    # hazard
    Bad("hazard of a check", "hazard", CHECK_FILE, "hazards: [moving-axes]", [("cautions.yaml", "covers: [sharp-burr, moving-axes]", "covers: [sharp-burr]")], [("cautions.yaml", "covers: [sharp-burr, moving-axes]", "covers: [sharp-burr]"), (CHECK_FILE, "    hazards: [moving-axes]\n", "")]),
    Bad("hazard of a remedy", "hazard", "remedies.yaml", "hazards: [noise]", [("vocabulary.yaml", "  preparations:\n", "    - {id: noise, title: noise}\n  preparations:\n"), ("remedies.yaml", "    proof: The gauge", "    hazards: [noise]\n    proof: The gauge")], [("vocabulary.yaml", "  preparations:\n", "    - {id: noise, title: noise}\n  preparations:\n"), ("remedies.yaml", "    proof: The gauge", "    hazards: [noise]\n    proof: The gauge"), ("cautions.yaml", "covers: [sharp-burr", "covers: [noise, sharp-burr")]),
    # reading
    Bad("gap", "reading", CHECK_FILE, "- {id: ok", [(CHECK_FILE, "from: 0.9 x inlet_pressure", "from: inlet_pressure")], [(CHECK_FILE, "from: 0.9 x inlet_pressure", "from: inlet_pressure"), (CHECK_FILE, "to: 0.9 x inlet_pressure", "to: inlet_pressure")], "gap"),
    Bad("overlap", "reading", CHECK_FILE, "- {id: ok", [(CHECK_FILE, "from: 0.9 x inlet_pressure", "from: 0.5")], [(CHECK_FILE, "from: 0.9 x inlet_pressure", "from: 0.5"), (CHECK_FILE, "to: 0.9 x inlet_pressure", "to: 0.5")], "overlap"),
    Bad("open below", "reading", CHECK_FILE, "- {id: ok", [(CHECK_FILE, "to: 0.9 x inlet_pressure", "from: 0.1, to: 0.9 x inlet_pressure")], [(CHECK_FILE, "to: 0.9 x inlet_pressure", "from: 0, to: 0.9 x inlet_pressure")], "below 0.1"),
    Bad("open above", "reading", CHECK_FILE, "- {id: ok", [(CHECK_FILE, "from: 0.9 x inlet_pressure", "from: 0.9 x inlet_pressure, to: 1")], [(CHECK_FILE, "from: 0.9 x inlet_pressure", "from: 0.9 x inlet_pressure, to: 1.2")], "above 1"),
    Bad("plausible the wrong way round", "reading", CHECK_FILE, "plausible_from", [(CHECK_FILE, "plausible_from: 0\n    plausible_to: 1.2", "plausible_from: 1.2\n    plausible_to: 0")]),
    Bad("unit of another quantity", "reading", CHECK_FILE, "unit: mm", [(CHECK_FILE, "unit: MPa", "unit: mm")], [(CHECK_FILE, "unit: MPa", "unit: bar")], "mm"),
    # rule
    Bad("finding awaited as absent", "rule", RULES, "- not: {finding: short-of-air}", [(RULES, "- {finding: short-of-air}", "- {symptom: chips}\n      - not: {finding: short-of-air}")], [(RULES, "- {finding: short-of-air}", "- {finding: short-of-air}\n      - not: {symptom: chips}")]),
    Bad("two outcomes at once", "rule", RULES, "when: [{check: burr-tug, is: firm}, {check: burr-tug, is: moves}]", [rule(made("both", "{check: burr-tug, is: firm}, {check: burr-tug, is: moves}", STOP))], [rule(made("both", "{check: burr-tug, is: firm}, {check: burr-tug, is: moves}", STOP, "any"))], "burr-tug"),
    Bad("answer leads to itself", "rule", RULES, "id: round", [rule(made("round", "{check: burr-tug, is: firm}", "answer: {check: burr-tug, outcome: moves}"))], [rule(made("round", "{check: since-when, is: sudden}", "answer: {check: burr-tug, outcome: moves}"))], "burr-tug"),
    Bad("check before itself", "rule", RULES, "id: air-before-burr", [(RULES, "before: [burr-look]", "before: [air-gauge]")]),
    # rivals
    Bad("declared rivals that a check parts", "rivals", "inseparable.yaml", "id: at-the-burr", [CHANGED, pair("burr-loose, burr-worn", "change-burr")], [*ALIKE, CHANGED, pair("burr-loose, burr-worn", "change-burr")], "does tell 'burr-loose' from 'burr-worn'"),
    Bad("declared causes that share no symptom", "rivals", "inseparable.yaml", "id: at-the-burr", [(AIR, "remedies:\n", "remedies:\n  - {remedy: change-burr, cures: very rare, because: by the pause, source: geometry}\n"), CHANGED, pair("air-low, burr-loose", "change-burr")], said="share no symptom"),
    Bad("declared rivals with a remedy for one of them", "rivals", "inseparable.yaml", "id: at-the-burr", [*ALIKE, pair("burr-loose, burr-worn", "change-burr")], said="no remedy of 'burr-loose'"),
    Bad("rivals alike", "rivals", LOOSE, "id: burr-loose", [(LOOSE, "check: burr-tug, outcome: moves", "check: burr-look, outcome: blunt"), (WORN, "outcome: gradual", "outcome: sudden"), (AIR, "outcome: sudden, seen: occasional", "outcome: gradual, seen: occasional"), (AIR, "remedies:\n", "  - {check: burr-tug, outcome: moves, seen: occasional, because: it stalls, source: geometry}\nremedies:\n")], [(WORN, "outcome: gradual", "outcome: sudden"), (AIR, "outcome: sudden, seen: occasional", "outcome: gradual, seen: occasional")], "burr-worn"),
    # decisive
    Bad("told by questions and seldom seen looks", "decisive", LOOSE, "id: burr-loose", [(LOOSE, "moves, seen: very frequent", "moves, seen: occasional")], [(LOOSE, "moves, seen: very frequent", "moves, seen: frequent")]),
    Bad("told by a look that sound mills show too", "decisive", LOOSE, "id: burr-loose", [(CHECK_FILE, "label: moves or turns", "label: moves or turns, background: occasional")], [(CHECK_FILE, "label: moves or turns", "label: moves or turns, background: occasional"), (LOOSE, "remedies:\n", "  - {check: air-gauge, outcome: low, seen: very rare, because: it stalls, source: geometry}\nremedies:\n")]),
    # confuse
    Bad("trial without its look-alike", "confuse", CHECK_FILE, "id: burr-tug", [(CHECK_FILE, "    confuse: Play of the whole spindle, which moves its nose too.\n", "")], [(CHECK_FILE, "    confuse: Play of the whole spindle, which moves its nose too.\n", ""), (CHECK_FILE, "kind: trial", "kind: ask"), *GAUGED]),
    # dominated
    Bad("dearer and less telling", "dominated", CHECK_FILE, "id: burr-shake", shake(minutes="6"), shake(minutes="0.5"), "burr-tug"),
    # rule-sense
    Bad("fires before anything is known", "rule-sense", RULES, "id: strange", [rule(made("strange", "not: {symptom: chips}, not: {check: burr-tug, is: moves}", STOP))], [rule(made("strange", "{symptom: slow-cut}, not: {symptom: chips}", STOP))], "before anything is known"),
    Bad("fires by one of any before anything is known", "rule-sense", RULES, "id: strange", [rule(made("strange", "{symptom: chips}, not: {symptom: slow-cut}", STOP, "any"))], [rule(made("strange", "{symptom: chips}, {symptom: slow-cut}", STOP, "any"))], "before anything is known"),
    Bad("a check with two answers", "rule-sense", RULES, "id: two", [rule(made("one", "{symptom: chips}", FIRM) + "\n" + made("two", "{symptom: slow-cut}", MOVES))], [rule(made("one", "{symptom: chips}", FIRM) + "\n" + made("two", "{symptom: chips, is: absent}", MOVES))], "burr-tug"),
    Bad("a check with two answers by one of any", "rule-sense", RULES, "id: two", [rule(made("one", "{setting: burr_hours, above: 20}", FIRM) + "\n" + made("two", "{setting: burr_hours, below: 10}, {setting: burr_hours, above: 400}", MOVES, "any"))], [rule(made("one", "{setting: burr_hours, above: 20, below: 400}", FIRM) + "\n" + made("two", "{setting: burr_hours, below: 10}, {setting: burr_hours, above: 400}", MOVES, "any"))], "burr-tug"),
    # rate: by hand, 1 - 0.98 * (1 - 0.12 * 0.9) * (1 - 0.05 * 0.5) = 14.8 of 100 show chips; / 2.5 = 5.9, x 2.5 = 36.9
    Bad("shown less often than it is said", "rate", "symptoms.yaml", "id: chips", [hundred("37.5")], [hundred("36.5")], "14.8"),
    Bad("shown more often than it is said", "rate", "symptoms.yaml", "id: chips", [hundred("5.8")], [hundred("6")], "14.8"),
    # care
    Bad("neglect that no task prevents", "care", "causes/care/never-oiled.yaml", "id: never-oiled", [*NEGLECT, task()], [*NEGLECT, task(prevents="burr-worn, never-oiled")]),
    Bad("task that prevents an unknown cause", "reference", "care.yaml", "prevents: [burr-warn]", [task(prevents="burr-warn")], [task()], "burr-worn"),
    Bad("hazard of a task", "reference", "care.yaml", "hazards: [sharp-bur]", [task(hazards="sharp-bur")], [task(hazards="sharp-burr")], "sharp-burr"),
    Bad("source of a task", "reference", "care.yaml", "source: hearsay", [task(source="hearsay")]),
    Bad("cause of an inseparable pair", "reference", "inseparable.yaml", "causes: [burr-loose, burr-warn]", [pair("burr-loose, burr-warn", "change-burr")], said="burr-worn"),
    Bad("remedy of an inseparable pair", "reference", "inseparable.yaml", "remedy: change-bur", [pair("burr-loose, burr-worn", "change-bur")], said="change-burr"),
    Bad("source of an inseparable pair", "reference", "inseparable.yaml", "source: hearsay", [pair("burr-loose, burr-worn", "change-burr", "hearsay")]),
    Bad("hazard of a task without a caution", "hazard", "care.yaml", "hazards: [noise]", [("vocabulary.yaml", "  preparations:\n", "    - {id: noise, title: noise}\n  preparations:\n"), task(hazards="noise")]),
    # wording
    Bad("words left from a new entry", "todo", LOOSE, "TODO why it shows", [(LOOSE, "nothing holds it", "TODO why it shows")]),
    Bad("words left from a new example", "todo", "causes/burr/burr-loose.cases.yaml", "TODO what the rival", [("causes/burr/burr-loose.cases.yaml", "it is firm", "TODO what the rival shows instead")]),
    Bad("26 words in a sentence", "long", CHECK_FILE, "Look at its tip", [(CHECK_FILE, "Look at its tip through the loupe.", "Look at its tip through the loupe" + " and turn it" * 6 + " round.")], [(CHECK_FILE, "Look at its tip through the loupe.", "Look at its tip through the loupe" + " and turn it" * 6 + "."), (LOOSE, "it is held", "it is held" + " and held" * 8 + ". So it cuts" + " and cuts" * 8)], "26"),
    Bad("steps in long words", "grade", "remedies.yaml", "steps: [Immediately", [("remedies.yaml", "Push the burr in to the stop., Clamp it.", "Immediately reinsert the rotary instrument completely., Subsequently tighten the retaining mechanism.")], [("remedies.yaml", "Push the burr in to the stop., Clamp it.", "Put the burr back in to the stop., Then clamp it.")]),
    Bad("word in no dictionary", "spelling", "symptoms.yaml", "title: Margin chiped", [("symptoms.yaml", "title: Margin chipped", "title: Margin chiped")], [("symptoms.yaml", "title: Margin chipped", "title: Margin chiped"), ("vocabulary.yaml", "words: [", "words: [chiped, ")], "chipped"),
    # advice
    Bad("no example that ranks", "examples", "causes/burr/burr-loose.cases.yaml", "quiet:", [("causes/burr/burr-loose.cases.yaml", "ranks:\n  - because: it gives\n    symptoms: [chips]\n    answers: {burr-tug: moves}\n    within: 1\n", "")], said="ranks"),
]  # fmt: skip


def apply(base: SmallBase, edits: list[Edit]) -> SmallBase:
    for file, old, new in edits:
        base.replace(file, old, new) if old else base.write(file, new)
    return base


@pytest.fixture
def base(tmp_path: Path) -> SmallBase:
    return write_base(tmp_path)


def test_the_small_base_gets_neither_errors_nor_advice(base: SmallBase) -> None:
    assert lint(base.load()) == ([], [])


@pytest.mark.parametrize("bad", BAD, ids=str)
def test_a_bad_base_gives_that_code_alone_at_its_place_with_a_hint(base: SmallBase, bad: Bad) -> None:
    apply(base, bad.edits)
    errors, advice = lint(base.load())
    found = errors + advice
    assert {i.code for i in found} == {bad.code}, [str(i) for i in found]
    assert (f"mill/{bad.file}", base.line(bad.file, bad.at)) in {(i.file, i.line) for i in found}, [
        str(i) for i in found
    ]
    assert len({(i.file, i.line, i.message) for i in found}) == 1, [str(i) for i in found]
    assert all(i.hint for i in found)
    assert bad.said in found[0].message + found[0].hint
    severity = {c.code: c.severity for c in CHECKS}[bad.code]
    assert bool(errors) == (severity == "error")


@pytest.mark.parametrize("bad", [b for b in BAD if b.twin], ids=str)
def test_its_clean_twin_gives_nothing(base: SmallBase, bad: Bad) -> None:
    assert lint(apply(base, bad.twin).load()) == ([], [])


def test_every_check_of_the_linter_has_a_bad_base_here() -> None:
    assert {c.code for c in CHECKS} == {b.code for b in BAD}


def test_every_check_states_its_rule() -> None:
    assert all(c.__doc__ and c.__doc__.endswith(".") for c in CHECKS)


@pytest.mark.parametrize(
    "rules",
    [
        [
            made("one", "{finding: short-of-air}", "answer: {check: burr-tug, outcome: moves}"),
            made("two", "{check: burr-tug, is: moves}", "derive: short-of-air"),
        ],
        [
            made("one", "{check: burr-tug, is: firm}", "answer: {check: burr-look, outcome: blunt}"),
            made("two", "{check: burr-look, is: blunt}", "answer: {check: since-when, outcome: sudden}", "any"),
            made("three", "{check: since-when, is: sudden}", "answer: {check: burr-tug, outcome: firm}"),
        ],
    ],
)
def test_rules_that_go_round_are_found_once_and_the_open_chain_is_clean(base: SmallBase, rules: list[str]) -> None:
    apply(base, [rule("\n".join(rules[:-1]))])
    assert lint(base.load()) == ([], [])
    end = "  source: common-practice\n"
    text = "".join(f"  {line}\n" for line in rules[-1].splitlines())
    base.write(RULES, base.text(RULES) + text)
    assert text.endswith(end)
    (issue,), _ = lint(base.load())
    assert issue.code == "rule"
    assert "circle" in issue.message
    ids = [f"id: {r.split()[2]}" for r in rules]
    assert issue.line in {base.line(RULES, i) for i in ids}


def test_checks_that_wait_for_each_other_are_found_and_a_chain_is_clean(base: SmallBase) -> None:
    apply(base, [rule(made("two", "{symptom: chips}", "first: {check: burr-look, before: [burr-tug]}"))])
    assert lint(base.load()) == ([], [])
    base.replace(RULES, "before: [burr-tug]", "before: [burr-tug, air-gauge]")
    (issue,), _ = lint(base.load())
    assert issue.code == "rule"
    assert "wait for each other" in issue.message
    assert issue.line in {base.line(RULES, "id: two"), base.line(RULES, "id: air-before-burr")}


@pytest.mark.parametrize(
    "when",
    [
        "{check: burr-tug, is: firm}, not: {check: burr-tug, is: firm}",
        "{symptom: chips}, {symptom: chips, is: absent}",
        "{symptom: chips}, not: {symptom: chips}",
        "{setting: material, is: resin}, {setting: material, is: glass-ceramic}",
        "{check: air-gauge, above: 0.5}, {check: air-gauge, below: 0.4}",
        "{setting: burr_hours, above: 20, below: 10}",
    ],
)
def test_conditions_that_cannot_hold_together_are_found(base: SmallBase, when: str) -> None:
    errors, _ = lint(apply(base, [rule(made("both", when, STOP))]).load())
    assert [i.code for i in errors] == ["rule"]


def test_waiting_for_the_absence_of_a_derived_answer_is_found(base: SmallBase) -> None:
    rules = [
        made("one", "{symptom: slow-cut}", "answer: {check: burr-tug, outcome: moves}"),
        made("two", "{symptom: chips}, not: {check: burr-tug, is: moves}", STOP),
    ]
    errors, _ = lint(apply(base, [rule("\n".join(rules))]).load())
    assert [i.code for i in errors] == ["rule"]


@pytest.mark.parametrize(
    "when",
    [
        "{symptom: slow-cut}, not: {symptom: chips}, not: {symptom: chips, is: absent}",
        "{check: air-gauge, above: 0.4}, not: {check: air-gauge, above: 0.5}",
        "{check: air-gauge, is: low}, {check: air-gauge, below: 0.4}",
        "{symptom: chips}, not: {check: burr-tug, is: [firm, moves]}",
        "{setting: burr_hours, above: 10, below: 20}, {setting: material, is: [resin, glass-ceramic]}",
    ],
)
def test_conditions_that_can_hold_together_are_clean(base: SmallBase, when: str) -> None:
    assert lint(apply(base, [rule(made("both", when, STOP))]).load()) == ([], [])


def test_a_member_of_any_that_can_never_hold_is_found_at_its_place(base: SmallBase) -> None:
    body = "- id: both\n  when: [{symptom: chips}]\n  any:\n    - {check: burr-tug, is: firm}\n    - not: {symptom: chips}\n"
    apply(base, [rule(body + f"  then: {{{STOP}}}\n  because: It is so.\n  source: common-practice")])
    (issue,), _ = lint(base.load())
    assert (issue.code, issue.line) == ("rule", base.line(RULES, "- not: {symptom: chips}"))


def test_a_check_that_no_symptom_leads_to_is_found(base: SmallBase) -> None:
    base.replace(AIR, "  - {symptom: slow-cut, seen: very frequent, because: the mill lowers its feed, source: common-practice}\n", "")  # fmt: skip
    assert "unreachable" not in {i.code for i in lint(base.load())[0]}  # over since-when, which other causes share
    base.replace(AIR, "since-when, outcome: sudden, seen: occasional", "air-gauge, outcome: low2, seen: very rare")
    base.replace(CHECK_FILE, "{id: low, label: below it, to: 0.9 x inlet_pressure, background: occasional}", "{id: low, label: below it, from: 0.3, to: 0.9 x inlet_pressure}\n      - {id: low2, label: far below it, to: 0.3}")  # fmt: skip
    found = [i for i in lint(base.load())[0] if i.code == "unreachable"]
    assert [(i.file, i.line) for i in found] == [(f"mill/{CHECK_FILE}", base.line(CHECK_FILE, "id: air-gauge"))]


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("vocabulary.yaml", "high: 1.2, source: common-practice", "high: 1.2, source: hearsay"),
        ("causes/burr/burr-worn.cases.yaml", "burr_hours: 30 h", "material: wax"),
        ("causes/burr/burr-worn.cases.yaml", "burr-look: blunt", "burr-look: blunt2"),
        (RULES, "      - {symptom: slow-cut}\n    then", "      - {symptom: slow-cut, is: [often]}\n    then"),
    ],
    ids=["source of a mill field", "choice in an example", "outcome with a digit", "state of a symptom"],
)
def test_a_value_that_does_not_exist_is_found_everywhere(base: SmallBase, file: str, old: str, new: str) -> None:
    errors, _ = lint(base.replace(file, old, new).load())
    assert [i.code for i in errors] == ["reference"]


def test_a_preparation_that_breaks_an_unknown_one_is_found(base: SmallBase) -> None:
    base.replace("vocabulary.yaml", "breaks: [cabin-open]", "breaks: [cabin-opened]")
    (issue,), _ = lint(base.load())
    assert (issue.code, issue.file) == ("reference", "mill/vocabulary.yaml")
    assert "cabin-opened" in issue.message


def test_a_preparation_that_breaks_an_unknown_one_is_placed_at_its_line(base: SmallBase) -> None:
    base.replace("vocabulary.yaml", "breaks: [cabin-open]", "breaks: [cabin-opened]")
    (issue,), _ = lint(base.load())
    assert issue.line == base.line("vocabulary.yaml", "cabin-opened")


def test_every_unknown_frequency_is_reported_in_one_run(base: SmallBase) -> None:
    base.replace(AIR, "seen: occasional", "seen: seldom").replace(LOOSE, "cures: very frequent", "cures: mostly")
    errors, _ = lint(base.load())
    assert {i.file for i in errors} == {f"mill/{AIR}", f"mill/{LOOSE}"}


def test_a_kind_of_check_without_error_rates_is_found(base: SmallBase) -> None:
    base.replace("vocabulary.yaml", "    - {kind: trial, miss: 0, alarm: 0, no_answer: 0.1}\n", "")
    errors, _ = lint(base.load())
    assert errors


def test_problems_of_several_files_are_found_in_one_run_sorted_by_place(base: SmallBase) -> None:
    base.replace(AIR, "outcome: sudden", "outcome: suden").replace(RULES, "is: [low]", "is: [lo]")
    base.replace(
        "symptoms.yaml", "title: Margin chipped\n    family: margins", "title: Margin chipped\n    family: edge"
    )
    errors, advice = lint(base.load())
    assert [i.file for i in errors] == [f"mill/{AIR}", f"mill/{RULES}", "mill/symptoms.yaml"]
    assert advice == []


def test_examples_that_are_missing_are_advice(base: SmallBase) -> None:
    (base.root / "causes/air/air-low.cases.yaml").unlink()
    errors, (issue,) = lint(base.load())
    assert errors == []
    assert (issue.code, issue.file, issue.line) == ("examples", f"mill/{AIR}", 1)
    assert "air-low.cases.yaml" in issue.message


@pytest.mark.parametrize("bad", [b for b in BAD if b.code in ("reference", "frequency", "reading")], ids=str)
def test_what_would_keep_the_base_from_use_is_broken_too(base: SmallBase, bad: Bad) -> None:
    assert {i.code for i in broken(apply(base, bad.edits).load())} == {bad.code}


@pytest.mark.parametrize("bad", [b for b in BAD if b.code in ("symptom", "unused", "rivals", "examples")], ids=str)
def test_what_only_makes_the_base_poorer_is_not_broken(base: SmallBase, bad: Bad) -> None:
    assert broken(apply(base, bad.edits).load()) == []


def test_rates_of_many_causes_add_up_to_between_half_a_cause_and_three(base: SmallBase) -> None:
    kb = base.load()
    worn = kb.causes["burr-worn"]

    def told(count: int, share: float) -> list[str]:
        prior = worn.prior.model_copy(update={"per_hundred": share})
        causes = {f"c{i}": worn.model_copy(update={"id": f"c{i}", "prior": prior}) for i in range(count)}
        return [str(i.message) for i in RatesAddUp().run(replace(kb, causes=causes))]

    assert told(40, 1.25) == told(40, 7.5) == []  # 0.5 and 3 causes in each bad result
    assert [len(told(40, 1.2)), len(told(40, 7.6))] == [1, 1]
    assert told(39, 60) == []  # a small base is not held to it


@pytest.mark.parametrize("answers", [("firm", "firm"), ("moves", "moves")])
def test_rules_that_give_a_check_the_same_answer_agree(base: SmallBase, answers: tuple[str, str]) -> None:
    rules = [
        made(name, when, f"answer: {{check: burr-tug, outcome: {answer}}}")
        for name, when, answer in zip(("one", "two"), ("{symptom: chips}", "{symptom: slow-cut}"), answers, strict=True)
    ]
    assert lint(apply(base, [rule("\n".join(rules))]).load()) == ([], [])


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # 0.39 words/sentence + 11.8 syllables/word - 15.59 (Kincaid et al. 1975), worked by hand from counts.
        (["The cat sat."], 0.39 * 3 + 11.8 * 1 - 15.59),
        (["The cat sat. It ran."], 0.39 * 5 / 2 + 11.8 * 1 - 15.59),
        (["The cat sat.", "It ran."], 0.39 * 5 / 2 + 11.8 * 1 - 15.59),
        (["The monkey sat."], 0.39 * 3 + 11.8 * 4 / 3 - 15.59),
        (["20"], 0),
        ([], 0),
    ],
)
def test_the_reading_grade_is_the_published_formula(text: list[str], expected: float) -> None:
    assert grade(text) == pytest.approx(expected)


@pytest.mark.parametrize(
    "edit",
    [
        (CHECK_FILE, "minutes: 6\n    prep: [cabin-open]", "minutes: 6\n    prep: [mill-cutting]"),
        (CHECK_FILE, "    minutes: 1\n", "    minutes: 1\n    applies: [{setting: material, is: resin}]\n"),
    ],
    ids=["with another preparation", "not in every setting"],
)
def test_a_check_is_not_dominated_by_one_that_cannot_stand_in_for_it(base: SmallBase, edit: Edit) -> None:
    assert {i.code for i in lint(apply(base, shake(minutes="6")).load())[1]} == {"dominated"}
    assert lint(apply(base, [edit]).load()) == ([], [])


def test_a_base_without_a_word_list_is_not_spell_checked(base: SmallBase) -> None:
    base.replace("symptoms.yaml", "title: Margin chipped", "title: Margin chiped")
    base.replace("vocabulary.yaml", "  words: [regulator, loupe]\n", "")
    assert lint(base.load()) == ([], [])


def test_a_base_without_a_care_plan_is_not_held_to_one(base: SmallBase) -> None:
    assert lint(apply(base, NEGLECT).load()) == ([], [])


def test_the_shipped_knowledge_has_no_errors() -> None:
    errors, _ = lint(load_knowledge(shipped("knowledge")))
    assert [str(i) for i in errors] == []
