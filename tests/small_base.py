"""A tiny but complete knowledge base, our own invention, that the linter passes without a word."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from advisor.load import load_knowledge
from advisor.model import Knowledge

__all__ = ["SmallBase", "write_base", "write_pair"]

FILES = {
    "vocabulary.yaml": """\
vocabulary:
  frequency:
    - {word: very frequent, share: 0.9, low: 0.8, high: 1}
    - {word: frequent, share: 0.5, low: 0.3, high: 0.8}
    - {word: occasional, share: 0.2, low: 0.15, high: 0.3}
    - {word: rare, share: 0.1, low: 0.05, high: 0.15}
    - {word: very rare, share: 0.02, low: 0, high: 0.05}
  reporting:
    - {kind: ask, miss: 0.1, alarm: 0, no_answer: 0.1}
    - {kind: look, miss: 0.1, alarm: 0, no_answer: 0.1}
    - {kind: measure, miss: 0, alarm: 0, no_answer: 0.1}
    - {kind: trial, miss: 0, alarm: 0, no_answer: 0.1}
  unlisted: {per_hundred: 4, symptom: 0.6, check: 0.1, refer_minutes: 480}
  systems:
    - {id: burr, title: burrs}
    - {id: air, title: compressed air}
    - {id: pattern, title: pattern of the trouble}
  families:
    - {id: margins, title: margins}
  hazards:
    - {id: sharp-burr, title: sharp burrs}
    - {id: moving-axes, title: moving axes}
  preparations:
    - {id: cabin-open, text: Open the cover, minutes: 1, breaks: [mill-cutting]}
    - {id: mill-cutting, text: Have the mill cutting, minutes: 2, breaks: [cabin-open]}
  setting:
    - {id: material, ask: Which material was cut?, choices: [glass-ceramic, resin]}
    - {id: burr_hours, ask: Cutting hours on the burr?, unit: h, low: 0, high: 500}
  mill:
    - {id: inlet_pressure, ask: Required air pressure, unit: MPa, default: 0.6, low: 0.2, high: 1.2, source: common-practice}
  words: [regulator, loupe]
""",
    "sources.yaml": """\
sources:
  - {id: common-practice, title: "common practice, no source", known: common-practice}
  - {id: geometry, title: follows from geometry, known: derived}
""",
    "symptoms.yaml": """\
symptoms:
  - id: chips
    title: Margin chipped
    family: margins
    say: [edges crumble, nicks at the edge, ragged margin]
    ask: Are there chips along the margin?
  - id: slow-cut
    title: Cutting takes longer than usual
    family: margins
    say: [mill is slow, job takes ages, feed goes down]
    ask: Does the same job take longer than it did?
""",
    "checks.yaml": """\
checks:
  - id: burr-look
    title: Edge of the burr
    ask: Is the tip of the burr bright or dull?
    kind: look
    system: burr
    minutes: 2
    prep: [cabin-open]
    needs: [loupe]
    how: [Take the burr out., Look at its tip through the loupe.]
    expect: The tip is rough and dull grey all round.
    confuse: Resin smeared over the grains, which a brush takes off.
    hazards: [sharp-burr]
    source: common-practice
    outcomes:
      - {id: sharp, label: rough all round}
      - {id: blunt, label: bright and bare, background: rare}
  - id: burr-tug
    title: Hold of the burr
    ask: Does the burr give when pulled lightly?
    kind: trial
    system: burr
    minutes: 1
    prep: [cabin-open]
    how: [Pull the burr lightly by its shank.]
    expect: It does not move.
    confuse: Play of the whole spindle, which moves its nose too.
    hazards: [sharp-burr]
    source: common-practice
    outcomes:
      - {id: firm, label: does not move}
      - {id: moves, label: moves or turns}
  - id: air-gauge
    title: Air pressure while cutting
    ask: What does the inlet gauge show while the mill cuts?
    kind: measure
    system: air
    minutes: 3
    prep: [mill-cutting]
    how: [Watch the gauge for three minutes., Note the lowest reading.]
    expect: Not under the required pressure.
    confuse: The pressure at rest, which is higher.
    hazards: [moving-axes]
    quantity: gauge pressure
    unit: MPa
    plausible_from: 0
    plausible_to: 1.2
    instrument: inlet-gauge
    source: common-practice
    outcomes:
      - {id: ok, label: at the required pressure, from: 0.9 x inlet_pressure}
      - {id: low, label: below it, to: 0.9 x inlet_pressure, background: occasional}
  - id: since-when
    title: Since when
    ask: How did the trouble begin?
    kind: ask
    system: pattern
    minutes: 0.5
    source: common-practice
    outcomes:
      - {id: always, label: it was always so}
      - {id: gradual, label: over days, background: occasional}
      - {id: sudden, label: from one job to the next, background: occasional}
""",
    "remedies.yaml": """\
remedies:
  - id: change-burr
    title: Change the burr
    minutes: 5
    prep: [cabin-open]
    steps: [Take the old burr out., Put the new one in.]
    hazards: [sharp-burr]
    proof: The same job again shows a clean margin.
    proof_minutes: 20
    source: common-practice
  - id: clamp-burr
    title: Clamp the burr again
    minutes: 3
    steps: [Push the burr in to the stop., Clamp it.]
    proof: The burr does not give when pulled.
    proof_minutes: 1
    source: common-practice
  - id: raise-air
    title: Set the regulator
    minutes: 4
    steps: [Turn the regulator up to the required pressure.]
    proof: The gauge keeps the pressure while the mill cuts.
    proof_minutes: 5
    source: common-practice
""",
    "rules.yaml": """\
findings:
  - {id: short-of-air, text: The air falls short while cutting}
rules:
  - id: air-before-burr
    when:
      - {symptom: slow-cut}
    then: {first: {check: air-gauge, before: [burr-look]}}
    because: The gauge stands outside and needs no open cover.
    source: common-practice
  - id: air-falls-short
    when:
      - {symptom: slow-cut}
      - {check: air-gauge, is: [low]}
    then: {derive: short-of-air}
    because: The spindle slows when its air falls short.
    source: common-practice
  - id: air-is-right
    when:
      - {check: air-gauge, is: [ok]}
    then: {exclude: air-low}
    because: The pressure holds while the mill cuts.
    source: common-practice
  - id: mind-the-hose
    when:
      - {finding: short-of-air}
    then: {caution: hose-whips}
    because: The next step is at the air line.
    source: common-practice
""",
    "cautions.yaml": """\
cautions:
  - id: hands-clear
    signal: caution
    covers: [sharp-burr, moving-axes]
    text: Reach in only when the spindle stands still.
    source: common-practice
  - id: hose-whips
    signal: warning
    text: Let the pressure out before a hose is loosened.
    source: common-practice
""",
    "instruments.yaml": """\
instruments:
  - {id: inlet-gauge, title: gauge on the inlet, quantity: pressure, unit: MPa, span: 1, percent_of_span: 2.5, source: common-practice}
""",
    "causes/burr/burr-worn.yaml": """\
id: burr-worn
title: Burr worn
system: burr
why: A worn burr rubs instead of cutting, so that it needs more force and breaks the edge.
prior: {per_hundred: 12, source: common-practice}
setting:
  - {field: burr_hours, above: 20, odds: 3, because: its life is about used up, source: common-practice}
  - {field: material, is: glass-ceramic, odds: 1.5, because: hard material wears it sooner, source: common-practice}
shows:
  - {symptom: chips, seen: very frequent, because: more force breaks the edge, source: geometry}
  - {symptom: slow-cut, seen: frequent, because: the mill lowers its feed, source: common-practice}
  - {check: burr-look, outcome: blunt, seen: very frequent, because: the grains are gone, source: common-practice}
  - {check: since-when, outcome: gradual, seen: frequent, because: wear takes days, source: common-practice}
remedies:
  - {remedy: change-burr, cures: very frequent, because: new grains cut again, source: common-practice}
""",
    "causes/burr/burr-worn.cases.yaml": """\
ranks:
  - because: seen with the loupe
    symptoms: [chips]
    setting: {burr_hours: 30 h}
    answers: {burr-look: blunt, since-when: gradual}
    within: 1
quiet:
  - because: the tip is sharp and the burr gives
    rival: burr-loose
    symptoms: [chips]
    answers: {burr-look: sharp, burr-tug: moves}
    below: 0.2
""",
    "causes/burr/burr-loose.yaml": """\
id: burr-loose
title: Burr not clamped
system: burr
why: A burr that gives strikes the edge instead of cutting it.
prior: {per_hundred: 5, source: common-practice}
shows:
  - {symptom: chips, seen: frequent, because: the tip strikes the edge, source: common-practice}
  - {check: burr-tug, outcome: moves, seen: very frequent, because: nothing holds it, source: geometry}
  - {check: since-when, outcome: sudden, seen: frequent, because: it begins with the change of burr, source: common-practice}
remedies:
  - {remedy: clamp-burr, cures: very frequent, because: then it is held, source: common-practice}
""",
    "causes/burr/burr-loose.cases.yaml": """\
ranks:
  - because: it gives
    symptoms: [chips]
    answers: {burr-tug: moves}
    within: 1
quiet:
  - because: it is firm
    rival: burr-worn
    symptoms: [chips]
    answers: {burr-tug: firm}
    below: 0.2
""",
    "causes/air/air-low.yaml": """\
id: air-low
title: Air pressure too low
system: air
why: Without enough air the spindle turns slower and the mill lowers its feed.
prior: {per_hundred: 8, source: common-practice}
shows:
  - {symptom: slow-cut, seen: very frequent, because: the mill lowers its feed, source: common-practice}
  - {check: air-gauge, outcome: low, seen: very frequent, because: that is the cause itself, source: common-practice}
  - {check: since-when, outcome: sudden, seen: occasional, because: another machine joined the line, source: common-practice}
remedies:
  - {remedy: raise-air, cures: frequent, because: if the line has more to give, source: common-practice}
""",
    "causes/air/air-low.cases.yaml": """\
ranks:
  - because: read on the gauge
    symptoms: [slow-cut]
    answers: {air-gauge: 0.4 MPa}
    within: 1
quiet:
  - because: the gauge holds
    symptoms: [slow-cut]
    answers: {air-gauge: 0.65 MPa}
    below: 0.2
""",
}

# Two causes of one complaint and one check that costs 2.8 minutes; repairs of 25 minutes that always cure. By hand, with
# chances of 0.6 and 0.4 and a loose burr that moves in a share q of cases, the check saves 0.4 q 25 = 10 q minutes of
# repair: 5 when that is frequent, 2 when it is occasional. So it is worth its minutes by that one link alone.
PAIR = {
    "vocabulary.yaml": """\
vocabulary:
  frequency:
    - {word: always, share: 1, low: 0.99, high: 1}
    - {word: very frequent, share: 0.9, low: 0.8, high: 0.99}
    - {word: frequent, share: 0.5, low: 0.3, high: 0.8}
    - {word: occasional, share: 0.2, low: 0.05, high: 0.3}
    - {word: very rare, share: 0.02, low: 0, high: 0.05}
    - {word: never, share: 0, low: 0, high: 0}
  reporting:
    - {kind: ask, miss: 0, alarm: 0, no_answer: 0}
    - {kind: look, miss: 0, alarm: 0, no_answer: 0}
    - {kind: measure, miss: 0, alarm: 0, no_answer: 0}
    - {kind: trial, miss: 0, alarm: 0, no_answer: 0}
  unlisted: {per_hundred: 0.01, symptom: 0.5, check: 0.1, refer_minutes: 480}
  systems:
    - {id: burr, title: burrs}
  families:
    - {id: margins, title: margins}
  hazards: []
  preparations: []
  setting: []
  mill: []
""",
    "sources.yaml": """\
sources:
  - {id: geometry, title: follows from geometry, known: derived}
  - {id: shop-log, title: counted in the log of the lab, known: read}
""",
    "symptoms.yaml": """\
symptoms:
  - id: chips
    title: Margin chipped
    family: margins
    say: [edges crumble, nicks at the edge, ragged margin]
    ask: Are there chips along the margin?
    background: never
""",
    "checks.yaml": """\
checks:
  - id: burr-tug
    title: Hold of the burr
    ask: Does the burr give when pulled lightly?
    kind: trial
    system: burr
    minutes: 2.8
    how: [Pull the burr lightly by its shank.]
    expect: It does not move.
    confuse: Play of the whole spindle.
    source: geometry
    outcomes:
      - {id: firm, label: does not move}
      - {id: moves, label: moves or turns, background: never}
""",
    "remedies.yaml": """\
remedies:
  - {id: change-burr, title: Change the burr, minutes: 5, steps: [Put a new one in.], proof: A clean margin., proof_minutes: 20, source: geometry}
  - {id: clamp-burr, title: Clamp the burr again, minutes: 5, steps: [Clamp it.], proof: A clean margin., proof_minutes: 20, source: geometry}
""",
    "causes/burr/burr-worn.yaml": """\
id: burr-worn
title: Burr worn
system: burr
why: A worn burr rubs and breaks the edge.
prior: {per_hundred: 6, source: geometry}
shows:
  - {symptom: chips, seen: very frequent, because: more force breaks the edge, source: geometry}
  - {check: burr-tug, outcome: moves, seen: never, because: it is held, source: geometry}
remedies:
  - {remedy: change-burr, cures: always, because: new grains cut again, source: geometry}
""",
    "causes/burr/burr-loose.yaml": """\
id: burr-loose
title: Burr not clamped
system: burr
why: A burr that gives strikes the edge.
prior: {per_hundred: 4, source: geometry}
shows:
  - {symptom: chips, seen: very frequent, because: the tip strikes the edge, source: geometry}
  - {check: burr-tug, outcome: moves, seen: frequent, because: nothing holds it, source: geometry}
remedies:
  - {remedy: clamp-burr, cures: always, because: then it is held, source: geometry}
""",
}


@dataclass(frozen=True)
class SmallBase:
    """The folder of a small base, for tests to change and load."""

    root: Path

    def text(self, file: str) -> str:
        """The text of one file, named relative to the base."""
        return (self.root / file).read_text("utf-8")

    def write(self, file: str, text: str) -> SmallBase:
        """Write one file."""
        path = self.root / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
        return self

    def replace(self, file: str, old: str, new: str) -> SmallBase:
        """Replace text that stands exactly once in one file."""
        text = self.text(file)
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
        return self.write(file, text.replace(old, new))

    def line(self, file: str, text: str) -> int:
        """Number, from 1, of the only line that holds `text`."""
        found = [n for n, line in enumerate(self.text(file).splitlines(), start=1) if text in line]
        assert len(found) == 1, f"{text!r} stands in the lines {found} of {file}"
        return found[0]

    def load(self) -> Knowledge:
        """Read it; KnowledgeError names files as `mill/...`."""
        return load_knowledge(self.root)


def write_base(folder: Path) -> SmallBase:
    """Write the small base to `folder`/mill."""
    return _written(folder, FILES)


def write_pair(folder: Path) -> SmallBase:
    """Write the base of two causes and one check to `folder`/mill; it is for figures, not for the linter."""
    return _written(folder, PAIR)


def _written(folder: Path, files: dict[str, str]) -> SmallBase:
    base = SmallBase(folder / "mill")
    for file, text in files.items():
        base.write(file, text)
    return base
