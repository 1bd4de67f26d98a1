"""What a sheet says fits its verdict: where the doubt leaves a limit open, the advice does not claim to know."""

from __future__ import annotations

import pytest

from advisor.calc import catalogue
from advisor.calc.means import near
from advisor.calc.run import carry_out
from advisor.model import Knowledge

# An input of the example changed so that a limit is left open; the figure of that limit.
OPEN = [
    ("air-demand", {"allowed": "55 %"}, "duty"),
    ("leak-decay", {"end": "0.592 MPa"}, "share"),
    ("leak-duty", {"on": "18 16 17 s", "off": "152 150 155 s"}, "share"),
    ("work-duty", {}, "share"),
    ("pump-up", {"time": "75 s"}, "share"),
    ("bath-strength", {"readings": "6.4"}, "percent"),
    ("coolant-flow", {"caught": "420 420"}, "share"),
    ("water-hardness", {"hardness": "355 mg/L", "target": "100 mg/L"}, "hardness"),
    ("burr-deflection", {}, "deflection"),
    ("mains-load", {"rating": "13.5 A"}, "loading"),
    ("half-step", {"steps": "18 19 18 um"}, "largest"),
    ("lost-motion", {"up": "12 14 13 um", "down": "-7 -5 -6 um"}, "lost"),
    ("dew-point-line", {"coldest": "18.3 degC"}, "margin"),
    ("gap-series", {"gaps": "110 120 130 um"}, "mean"),
    ("ductile-depth", {"chip": "0.09 um"}, "ratio"),
    ("margin-chip", {"thickness": "0.08 mm", "seen": ""}, "ratio"),
]


@pytest.mark.parametrize(("name", "changed", "figure"), OPEN, ids=[name for name, _, _ in OPEN])
def test_advice_leaves_open_what_the_verdict_leaves_open(
    name: str, changed: dict[str, str], figure: str, kb: Knowledge
) -> None:
    calc = catalogue()[name]
    run = carry_out(calc, {**calc.example, **changed}, kb, {f.id: f.default for f in kb.vocabulary.mill})
    first = next(v for v in run.verdicts if v.limit.figure == figure)
    assert first.word == "too near the limit to tell"
    assert any("oo near" in text for text in run.worked.says)


def test_near_is_the_rule_of_the_verdict(kb: Knowledge) -> None:
    calc = catalogue()["leak-decay"]
    for end in ("0.66", "0.62", "0.60", "0.592", "0.58", "0.56", "0.50"):
        run = carry_out(calc, {**calc.example, "end": end}, kb)
        open_ = run.verdicts[0].word == "too near the limit to tell"
        assert near(run.worked.figures["share"], high=10.0) == open_


def test_an_edge_that_may_be_thin_is_not_called_thin(kb: Knowledge) -> None:
    calc = catalogue()["edge-thickness"]
    said = [
        carry_out(calc, {**calc.example, "readings": r}, kb).worked.says[0] for r in ("0.20 mm", "0.33 mm", "0.50 mm")
    ]
    assert [s.split()[0] for s in said] == ["Thinner", "Too", "Not"]
