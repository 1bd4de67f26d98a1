"""Every bench calculation keeps the same manners: units do not matter, bad input is told, one screen, plain data."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.calc import catalogue
from advisor.calc.base import CalcError, CalcErrors, Calculation, Input
from advisor.calc.picture import svg, terminal
from advisor.calc.run import Run, carry_out, run_data
from advisor.calc.sheet import input_help, sheet_lines
from advisor.model import Knowledge
from advisor.readings import convert, dimension, parse_number, unit_name
from advisor.screen import Glyphs, plain

CALCS = list(catalogue().values())
BY_ID = [pytest.param(c, id=c.id) for c in CALCS]
NUMBERS = [(c, i) for c in CALCS for i in c.inputs if not i.columns and not i.choices]
OTHER_UNITS = {
    "MPa": ("bar", "psi", "kPa"),
    "L": ("mL", "m3", "gal"),
    "mL": ("L",),
    "min": ("s", "h"),
    "s": ("min",),
    "h": ("min",),
    "L/min": ("cfm", "m3/h", "L/s"),
    "mm": ("um", "inch"),
    "um": ("mm",),
    "m": ("mm", "cm"),
    "degC": ("degF", "K"),
    "V": ("mV",),
    "W": ("kW",),
    "A": ("mA",),
    "N": ("kN",),
    "GPa": ("MPa",),
    "mg/L": ("dH", "fH"),
    "mm2": ("mm²",),
    "mm/min": ("mm/s",),
    "d": ("h",),
    "mg/m3": ("g/m3",),
}


def example(calc: Calculation, kb: Knowledge, **changed: Any) -> Run:
    """The calculation's own example, with some inputs changed."""
    profile = {f.id: f.default for f in kb.vocabulary.mill}
    return carry_out(calc, {**calc.example, **changed}, kb, profile)


def same(one: Run, other: Run) -> bool:
    """Both runs have the same figures, doubts and classes."""
    assert one.results.keys() == other.results.keys()
    close = all(
        math.isclose(a.value, b.value, rel_tol=1e-6, abs_tol=1e-9 * max(abs(a.u), 1e-3))
        and math.isclose(a.u, b.u, rel_tol=1e-3, abs_tol=1e-9)
        for a, b in zip(one.results.values(), other.results.values(), strict=True)
    )
    classes = all(math.isclose(p, other.worked.classes[k], abs_tol=1e-6) for k, p in one.worked.classes.items())
    return close and classes


@pytest.mark.parametrize("calc", BY_ID)
def test_the_example_runs_and_its_sheet_fits_one_screen(calc: Calculation, kb: Knowledge) -> None:
    run = example(calc, kb)
    lines = plain(sheet_lines(run, kb, 79, Glyphs())).split("\n")
    assert run.results or run.worked.classes
    assert len(lines) <= 23, "\n".join(lines)
    assert max(map(len, lines)) <= 79
    assert run.worked.lines, "no working is shown"


@pytest.mark.parametrize("calc", BY_ID)
def test_what_came_out_is_plain_data(calc: Calculation, kb: Knowledge) -> None:
    data = json.loads(json.dumps(run_data(example(calc, kb)), allow_nan=False))
    assert data["calculation"] == calc.id
    if calc.classes:
        assert set(data["classes"]) == {c.id for c in calc.classes}
        assert sum(data["classes"].values()) == pytest.approx(1.0)
        assert min(data["classes"].values()) >= 0


@pytest.mark.parametrize("calc", BY_ID)
def test_names_units_sources_and_instruments_are_known(calc: Calculation, kb: Knowledge) -> None:
    inputs = [*calc.inputs, *(c for i in calc.inputs for c in i.columns)]
    for each in (*inputs, *calc.figures):
        assert each.unit == "1" or unit_name(each.unit)
    for spec in inputs:
        assert spec.instrument is None or dimension(kb.instruments[spec.instrument].unit) == dimension(spec.unit)
        assert spec.profile is None or spec.profile in {f.id for f in kb.vocabulary.mill}
        assert spec.source in kb.sources
    assert set(calc.sources) <= set(kb.sources)
    assert calc.sources
    assert set(calc.hazards) <= {h.id for h in kb.vocabulary.hazards}
    names = [i.id for i in calc.inputs]
    assert len(set(names)) == len(names)
    assert {limit.source for limit in example(calc, kb).worked.limits} <= {*calc.sources, "common-practice"}


@pytest.mark.parametrize("calc", BY_ID)
def test_everything_missing_is_told_at_once(calc: Calculation, kb: Knowledge) -> None:
    required = [i for i in calc.inputs if i.required]
    with pytest.raises(CalcErrors) as caught:
        carry_out(calc, {}, kb, {f.id: f.default for f in kb.vocabulary.mill})
    assert {p.field for p in caught.value.problems} == {i.id for i in required}
    assert all(f"{i.option} is missing" in str(caught.value) for i in required)


@pytest.mark.parametrize(("calc", "spec"), [pytest.param(c, i, id=f"{c.id}-{i.option}") for c, i in NUMBERS])
def test_a_number_out_of_range_is_told_with_the_range(calc: Calculation, spec: Input, kb: Knowledge) -> None:
    assert math.isfinite(spec.low), "no lower bound"
    assert math.isfinite(spec.high), "no upper bound"
    for bad in (spec.high * 1.01 + 1, spec.low - 1 - abs(spec.low) * 0.01):
        typed = " ".join([f"{bad!r}"] * (spec.several[0] if spec.several else 1))
        with pytest.raises(CalcError, match="outside") as caught:
            example(calc, kb, **{spec.id: typed})
        assert spec.option in str(caught.value)
        assert f"{spec.low:g}" in str(caught.value)


@pytest.mark.parametrize(
    ("calc", "spec"),
    [
        pytest.param(c, i, id=f"{c.id}-{i.option}")
        for c, i in NUMBERS
        if c.example.get(i.id) is not None and not i.several and i.unit in OTHER_UNITS
    ],
)
def test_the_unit_typed_does_not_matter(calc: Calculation, spec: Input, kb: Knowledge) -> None:
    typed = calc.example[spec.id]
    text, _, instrument = str(typed).partition("@")
    value, unit = parse_number(text)
    own = convert(value, unit or spec.unit, spec.unit)
    before = example(calc, kb)
    for other in OTHER_UNITS[spec.unit]:
        again = f"{convert(own, spec.unit, other)!r} {other}" + (f" @{instrument}" if instrument else "")
        assert same(before, example(calc, kb, **{spec.id: again})), again


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_text_as_an_input_gives_an_answer_or_a_plain_error(data: st.DataObject, kb: Knowledge) -> None:
    calc = data.draw(st.sampled_from(CALCS))
    spec = data.draw(st.sampled_from(calc.inputs))
    text = data.draw(
        st.one_of(
            st.text(max_size=30),
            st.from_regex(r"[-+]?[0-9]{0,4}[.,]?[0-9]{0,3} ?(bar|mm|um|L|%|s|V)?( @dial-1um)?", fullmatch=True),
        )
    )
    try:
        run = example(calc, kb, **{spec.id: [text] if spec.columns else text})
    except CalcError:
        return
    assert all(math.isfinite(r.value) for r in run.results.values())


def test_pictures_are_drawn_in_the_terminal_and_as_files(kb: Knowledge, tmp_path: Path) -> None:
    drawn = []
    for calc in CALCS:
        plot = example(calc, kb).worked.plot
        if plot is None:
            continue
        text = terminal(plot, 78, 18)
        assert plot.title in text
        assert max(map(len, text.split("\n"))) <= 78
        assert "\x1b" not in text
        svg(plot, tmp_path / f"{calc.id}.svg")
        assert "<svg" in (tmp_path / f"{calc.id}.svg").read_text("utf-8")
        drawn.append(calc.id)
    assert {"burr-life", "repeatability", "receiver-hold", "gap-series"} <= set(drawn)


@pytest.mark.parametrize("calc", BY_ID)
def test_each_input_can_be_explained(calc: Calculation, kb: Knowledge) -> None:
    for spec in calc.inputs:
        assert spec.range_text in input_help(calc, spec, kb)


def test_readings_on_one_gauge_share_its_error(kb: Knowledge) -> None:
    """JCGM 100, F.1.2.3: the common part of two readings cancels in their difference."""
    calc = catalogue()["leak-decay"]
    one = example(calc, kb, start="0.80 MPa @line-gauge", end="0.76 MPa @line-gauge")
    two = example(calc, kb, start="0.80 MPa @line-gauge", end="0.76 MPa @inlet-gauge")
    assert one.results["leak"].u < two.results["leak"].u / 2
