"""The shipped knowledge says what the trade says, and marks where each figure comes from.

Facts of the trade have no published source: they are marked "common practice, no source". Published limits name
theirs, and how well it is known.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import pytest

from advisor.model import Bound, Cause, Caution, Check, Knowledge, MillField, Remedy, Rule
from advisor.readings import convert

Entry = Cause | Caution | Check | MillField | Remedy | Rule


def texts(entry: Entry) -> list[str]:
    """What the entry says to the technician, one text a field or step."""
    if isinstance(entry, Check):
        return [entry.ask, *entry.how, entry.expect or "", entry.confuse or "", *(o.label for o in entry.outcomes)]
    if isinstance(entry, Remedy):
        return [*entry.steps, entry.proof]
    if isinstance(entry, Rule):
        given = [entry.then.stop or "", entry.then.refer.text if entry.then.refer else ""]
        return [entry.because, *given]
    if isinstance(entry, Cause):
        return [entry.why]
    return [entry.text] if isinstance(entry, Caution) else [entry.ask]


def source_of(entry: Entry) -> str:
    return entry.prior.source if isinstance(entry, Cause) else entry.source


def says(entry: Entry, *patterns: str) -> bool:
    """One text of the entry holds all of the patterns, in this order."""
    return any(re.search(".*".join(patterns), text, re.I | re.S) for text in texts(entry))


def is_common_practice(kb: Knowledge, *entries: Entry) -> bool:
    marked = {source_of(e) for e in entries} == {"common-practice"}
    return marked and kb.sources["common-practice"].title == "common practice, no source"


def papers(kb: Knowledge, field: str) -> MillField:
    return next(m for m in kb.vocabulary.mill if m.id == field)


def edges(check: Check) -> dict[str, tuple[float | None, float | None]]:
    """Limits of each outcome in the check's unit."""
    return {o.id: (o.start.value if o.start else None, o.end.value if o.end else None) for o in check.outcomes}


# -- facts of the trade: common practice, no source -------------------------------------------------------------------


def test_inlet_pressure_is_six_tenths_of_a_megapascal_unless_the_papers_say_otherwise(kb: Knowledge) -> None:
    field, check = papers(kb, "inlet_pressure"), kb.checks["air-static"]
    assert (field.default, field.unit) == (0.6, "MPa")
    assert says(check, r"0\.6 MPa", "unless", "papers")
    assert all(bound.profile == "inlet_pressure" for o in check.outcomes for bound in (o.start, o.end) if bound)
    assert is_common_practice(kb, field, check)


def test_bath_is_ten_parts_water_to_one_of_concentrate(kb: Knowledge) -> None:
    """2.5 L of water and 250 mL of concentrate: 2.75 L of bath at 100 / 11 = 9.1 %."""
    volume, percent, change = papers(kb, "bath_volume"), papers(kb, "bath_percent"), kb.remedies["change-bath"]
    water, concentrate = 2.5, convert(250, "mL", "L")
    assert convert(volume.default, volume.unit, "L") == pytest.approx(water + concentrate)
    assert percent.default == pytest.approx(100 * concentrate / (water + concentrate), abs=0.05)
    assert says(change, "10 parts water", "1 part concentrate")
    assert says(kb.checks["bath-concentration"], "10 parts water", "1 part concentrate", r"9\.1 %")
    assert is_common_practice(kb, volume, percent, change)


def test_pump_runs_ten_minutes_after_filling_and_two_after_a_clean(kb: Knowledge) -> None:
    entries = kb.remedies["prime-pump"], kb.checks["flow-after-priming"]
    for entry in entries:
        assert says(entry, "about ten minutes after", "filling", "about two minutes after a clean")
    assert is_common_practice(kb, *entries)


def test_about_five_minutes_pass_before_the_bath_is_drawn_out(kb: Knowledge) -> None:
    remedy, check = kb.remedies["wait-before-draw"], kb.checks["wait-record"]
    assert says(remedy, "wait about five minutes")
    assert says(check, "about five minutes")
    tank = next(p for p in kb.vocabulary.preparations if p.id == "tank-out")
    assert "five minutes" in tank.text
    assert tank.minutes >= 5
    assert is_common_practice(kb, remedy, check, kb.causes["tank-drawn-too-soon"])


def test_drip_vessel_is_tilted_into_the_tank(kb: Knowledge) -> None:
    assert says(kb.remedies["wait-before-draw"], "drip vessel tilted", "into the tank")


def test_three_or_more_devices_on_a_circuit_ask_for_a_stabiliser(kb: Knowledge) -> None:
    derived = kb.rules["crowded-without-stabiliser"]
    assert says(derived, "three or more devices on one circuit", "external voltage stabiliser")
    assert {c.check for c in derived.when} == {"circuit-list", "stabiliser-label"}
    counted = kb.rules["count-from-setting"]
    assert (counted.when[0].setting, counted.when[0].above) == ("circuit_devices", 2)
    assert counted.then.answer is not None
    assert (counted.then.answer.check, counted.then.answer.outcome) == ("circuit-list", "many")
    assert kb.checks["circuit-list"].outcome("many").label == "three or more"
    assert is_common_practice(kb, derived, counted, kb.checks["circuit-list"], kb.remedies["fit-stabiliser"])


def test_glass_ceramic_needs_three_burrs_in_their_own_positions(kb: Knowledge) -> None:
    cause, check, remedy = (
        kb.causes["burr-wrong-position"],
        kb.checks["burr-positions"],
        kb.remedies["sort-burr-positions"],
    )
    assert says(cause, "glass-ceramic needs three burrs", "own place")
    assert says(check, "for glass-ceramic all three")
    assert says(check, "roughing, finishing, fissure")
    assert says(remedy, "into the position the list names", "glass-ceramic needs all three")
    assert is_common_practice(kb, cause, check, remedy)


@pytest.mark.parametrize("remedy", ["clean-collet", "regrease-collet", "replace-collet"])
def test_collet_is_screwed_in_gently_and_tightened_only_with_a_burr_in_it(kb: Knowledge, remedy: str) -> None:
    steps = kb.remedies[remedy].steps
    gently = [i for i, s in enumerate(steps) if re.search(r"screw (it|the collet)? ?in gently", s, re.I)]
    tight = [i for i, s in enumerate(steps) if re.search("put a burr in, and only then tighten", s, re.I)]
    assert len(gently) == len(tight) == 1
    assert gently < tight
    assert is_common_practice(kb, kb.remedies[remedy])


def test_a_loose_collet_is_tightened_with_a_burr_in_it(kb: Knowledge) -> None:
    assert kb.remedies["retighten-collet"].title == "Tighten the collet with a burr in it"
    assert says(kb.rules["collet-care-caution"], "screwed in gently", "only with a burr in it")
    assert says(kb.checks["collet-screw-feel"], "never tighten it empty")
    assert is_common_practice(kb, kb.remedies["retighten-collet"], kb.rules["collet-care-caution"])


def test_a_collet_gets_grease_only_outside_on_its_threaded_end(kb: Knowledge) -> None:
    for name in ("clean-collet", "regrease-collet", "replace-collet"):
        assert says(kb.remedies[name], "trace of compatible grease", "outside of the threaded end only")


def test_a_regulator_sits_with_its_arrow_towards_the_mill(kb: Knowledge) -> None:
    check, rule, remedy = kb.checks["regulator-arrow"], kb.rules["air-arrow-before-knob"], kb.remedies["turn-regulator"]
    assert says(check, "arrow points from compressor to mill")
    assert says(remedy, "arrow points to the mill")
    assert says(rule, "sits backwards cannot be set")
    assert rule.then.first is not None
    assert (rule.then.first.check, "set-regulator" in rule.then.first.before) == ("regulator-arrow", True)
    assert is_common_practice(kb, check, rule, remedy)


def test_the_cap_is_off_to_calibrate_and_on_to_cut(kb: Knowledge) -> None:
    check, caution, remedy = kb.checks["cap-place"], kb.cautions["cap-off-and-on"], kb.remedies["take-cap-off"]
    assert says(check, "off while calibrating, on while cutting")
    assert says(caution, "cap off to calibrate, cap on to cut")
    assert remedy.title == "Cap off, calibrate, cap on"
    assert says(remedy, "cap back before the first job")
    assert is_common_practice(kb, check, caution, remedy, kb.causes["cap-left-on"])


def test_references_are_clean_and_dry_before_calibration(kb: Knowledge) -> None:
    rule = kb.rules["clean-and-dry-first"]
    assert says(rule, "reference ring, spindle nose, sensor and tool rest", "clean and dry")
    assert is_common_practice(kb, rule)


# -- published limits -------------------------------------------------------------------------------------------------


def test_nitrite_limits(kb: Knowledge) -> None:
    """TRGS 611 (2007) 5.3, read: weekly; after three below 10 mg/L at most every 4 weeks; above 20 mg/L act."""
    check, rule = kb.checks["bath-nitrite"], kb.rules["nitrite-over-twenty"]
    assert check.unit == "mg/L"
    assert edges(check) == {"low": (None, 10), "raised": (10, 20), "high": (20, None)}
    assert says(check, "weekly", "three such readings", "four weeks")
    assert (rule.when[0].check, rule.when[0].above) == ("bath-nitrite", 20)
    assert says(rule, "change the bath or part of it", "inhibitor", "supplier")
    assert (check.source, rule.source) == ("trgs-611", "trgs-611")


def test_a_nitrate_strip_needs_a_bath_without_nitrite(kb: Knowledge) -> None:
    """DGUV Regel 109-003, read."""
    assert says(kb.checks["bath-nitrite"], "nitrate strip is only valid if nitrite is absent")


def test_dip_slide_bands(kb: Knowledge) -> None:
    """UK HSE, read: under 10^4 CFU/mL good, to under 10^6 reasonable, from 10^6 poor."""
    check = kb.checks["dip-slide"]
    assert check.unit == "CFU/mL"
    assert edges(check) == {"good": (None, 1e4), "fair": (1e4, 1e6), "poor": (1e6, None)}
    assert (check.source, kb.rules["foul-by-count"].source) == ("hse-coolant", "hse-coolant")
    assert says(kb.checks["bath-ph"], "no substitute for a dip slide")


def test_supply_voltage_band(kb: Knowledge) -> None:
    """EN 50160 (second-hand): 230 V +/- 10 %."""
    low, high = 230 * 0.9, 230 * 1.1
    idle = edges(kb.checks["mains-idle"])
    assert idle["ok"] == pytest.approx((low, high))
    assert (idle["low"][1], idle["high"][0]) == pytest.approx((low, high))
    for name in ("mains-load", "mains-day-lowest"):
        assert edges(kb.checks[name])["low"][1] == pytest.approx(low)
    assert {kb.checks[c].source for c in ("mains-idle", "mains-load", "mains-day-lowest")} == {"en-50160"}
    assert says(kb.remedies["fit-stabiliser"], "207 to 253 V")


def test_voltage_drop_limit(kb: Knowledge) -> None:
    """IEC 60364-5-52 Annex G (from memory): at most 5 % for other uses than lighting."""
    check = kb.checks["mains-drop"]
    assert edges(check)["large"][0] == pytest.approx(0.05 * 230)
    assert check.source == "iec-60364-5-52"


def test_stabiliser_sizing(kb: Knowledge) -> None:
    """Common practice, no source: VA = W / power factor, a quarter more; a motor start takes 5 to 8 times its current."""
    check = kb.checks["stabiliser-label"]
    assert says(check, "watts over power factor")
    assert says(check, "a quarter above the sum", "five to eight times")
    assert says(check, rf"600 W at a power factor of 0\.7 are {600 / 0.7:.0f} VA")
    assert is_common_practice(kb, check)


def test_bottle_foam_test(kb: Knowledge) -> None:
    """ASTM D3601, read: 200 mL, 25 degrees C, 40 shakes in under 10 s; repeatability 7 mm."""
    check = kb.checks["foam-shake-height"]
    assert edges(check)["more"][0] == 7
    assert says(check, "200 mL", "25 degrees")
    assert says(check, "40 times within ten seconds")
    assert check.source == "astm-d3601"


def test_marginal_gap(kb: Knowledge) -> None:
    """McLean & von Fraunhofer 1971 (from memory): 120 um. Groten et al. 2000, read: about 50 readings."""
    check = kb.checks["margin-gap-mean"]
    assert (check.unit, edges(check)["open"][0]) == ("um", 120)
    assert says(check, "about fifty places")
    assert check.source == "mclean-1971"
    assert says(kb.rules["gap-needs-many-points"], "about 50 readings")
    assert kb.rules["gap-needs-many-points"].source == "groten-2000"


def test_water_hardness_units_and_window(kb: Knowledge) -> None:
    """1 degree dH = 17.85 mg/L and 1 degree fH = 10 mg/L; USGS (second-hand): soft up to 60 mg/L; 20 degrees dH is
    about 360 mg/L (common practice, no source)."""
    check = kb.checks["water-hardness"]
    assert says(check, r"1 degree dH is 17\.85 mg/L, 1 degree fH is 10 mg/L")
    assert edges(check)["soft"][1] == 60
    assert edges(check)["hard"][0] == pytest.approx(convert(20, "dH", "mg/L"), abs=5)


def test_ph_is_judged_by_its_change(kb: Knowledge) -> None:
    """A fall of 0.5 from fresh is suspicious: common practice, no source. Strips in 0.2 to 0.3 steps: DGUV 109-003, read."""
    assert edges(kb.checks["bath-ph"])["fallen"][1] == -0.5
    assert kb.instruments["ph-strip"].resolution <= 0.3
    assert kb.instruments["ph-strip"].source == "dguv-109-003"


def test_leak_share_by_duty(kb: Knowledge) -> None:
    """Leak share = on-load time / whole time (US DOE, second-hand); under 10 % is well kept."""
    check = kb.checks["compressor-duty-idle"]
    assert says(check, "out of ten minutes")
    assert says(check, f"under {convert(10, 'min', 's') / 10:.0f} s, a tenth of the time")
    assert check.source == "doe-duty"


def test_supply_side_keeps_a_tenth_above_the_required_pressure(kb: Knowledge) -> None:
    """US DOE sourcebook (from memory): at most 10 % lost from compressor to point of use."""
    for name in ("air-before-regulator", "receiver-cut-in"):
        check = kb.checks[name]
        low = check.outcome("low").end
        assert low is not None
        assert (low.factor, low.profile, check.source) == (1.1, "inlet_pressure", "doe-sourcebook")


def test_hose_drop_figure(kb: Knowledge) -> None:
    """dp = 7.57e4 q^1.85 L / (d^5 p), kgf/cm2 absolute (engineering handbook site, read): 100 L/min of free air through
    10 m of 6 mm at 7 kgf/cm2 absolute loses 0.1964 kgf/cm2."""
    drop = convert(7.57e4 * 0.1**1.85 * 10 / (6**5 * 7), "kgf/cm2", "MPa")
    check = kb.checks["hose-drop"]
    assert says(check, "ten metres of 6 mm hose", r"0\.02 MPa", "100 L of free air a minute")
    assert drop == pytest.approx(0.02, abs=0.002)
    assert check.outcome("high").start == Bound(value=0.03)
    assert check.source == "pipe-handbook"


def test_gauge_classes_stand_in_their_titles(kb: Knowledge) -> None:
    """EN 837-1 (from memory): class = percent of span. 0 to 1 MPa of class 2.5 is 0.025 MPa."""
    gauges = [i for i in kb.instruments.values() if i.source == "en-837-1"]
    assert len(gauges) >= 2
    for gauge in gauges:
        found = re.search(r"class ([\d.]+), 0 to ([\d.]+) MPa", gauge.title)
        assert found is not None, gauge.id
        assert (gauge.percent_of_span, gauge.span) == (float(found[1]), float(found[2]))
        assert gauge.unit == "MPa"


def test_expansion_of_steel(kb: Knowledge) -> None:
    """JCGM 100:2008 H.1 (second-hand): 11.5e-6 per kelvin, so 2.3 um on 200 mm."""
    growth = 11.5e-6 * convert(200, "mm", "um")
    assert says(kb.checks["calibration-warm-cold"], r"11\.5 um per metre and kelvin", f"{growth:.1f} um on 200 mm")
    assert kb.checks["calibration-warm-cold"].source == "jcgm-100"


def test_blowing_off_stays_under_thirty_psi(kb: Knowledge) -> None:
    """29 CFR 1910.242(b) (second-hand): below 30 psi, with chip guarding and eye protection; never at people."""
    caution = kb.cautions["blow-off-limits"]
    found = re.search(r"under ([\d.]+) bar \(([\d.]+) psi\) at the nozzle, eye protection and a guard", caution.text)
    assert found is not None
    assert convert(float(found[1]), "bar", "psi") <= float(found[2]) <= 30
    assert says(caution, "never blow at a person")
    assert caution.source == "osha-1910-242"


def test_alcohols_flash_below_room_temperature(kb: Knowledge) -> None:
    """NIOSH Pocket Guide, read: isopropanol 53 degrees F, ethanol 55 degrees F."""
    caution = kb.cautions["alcohol-vapour"]
    flash = [round(convert(f, "degF", "degC")) for f in (53, 55)]
    assert says(caution, "isopropanol and ethanol", "below room temperature", f"{flash[0]} and {flash[1]} degrees C")
    assert caution.source == "niosh-pocket"


def test_noise_level(kb: Knowledge) -> None:
    """29 CFR 1910.95 (from memory): action level 85 dB(A) over a working day."""
    assert says(kb.cautions["noise-ears"], r"85 dB\(A\)")


# -- figures worked out in the texts ----------------------------------------------------------------------------------


def numbers(entry: Entry, pattern: str) -> Iterable[float]:
    found = next(m for m in (re.search(pattern, text) for text in texts(entry)) if m)
    return map(float, found.groups())


def test_mass_balance_examples_come_out(kb: Knowledge) -> None:
    """c_new = (V1 c1 + V2 c2) / (V1 + V2), by physics: the mixed bath has the strength wanted."""
    bath, strong, wanted, water = numbers(
        kb.remedies["weaken-bath"], r"([\d.]+) L at ([\d.]+) % for ([\d.]+) % takes ([\d.]+) L"
    )
    assert bath * strong / (bath + water) == pytest.approx(wanted, abs=0.05)
    left, weak, full, wanted, neat = numbers(
        kb.remedies["strengthen-bath"], r"([\d.]+) L at ([\d.]+) % in a ([\d.]+) L tank for ([\d.]+) %: ([\d.]+) L"
    )
    assert (left * weak + neat * 100) / full == pytest.approx(wanted, abs=0.25)
    hard, pure, tap = numbers(kb.remedies["use-softer-water"], r"([\d.]+) mg/L needs (\d) parts demineralised to (\d)")
    assert hard * tap / (pure + tap) == pytest.approx(180)


# -- how well a source is known ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("known", "sources"),
    [
        ("read", "doe-tip-3 dguv-109-003 trgs-611 hse-coolant astm-e3265 astm-d3601 niosh-98-102 niosh-pocket"),
        ("read", "tsitrou-2007 quinn-2014 al-hamad-2020 groten-2000 ductility-2017 iso-3864-2 pipe-handbook"),
        (
            "second-hand",
            "iso-8573-1 doe-duty usgs-hardness osha-1910-242 osha-1910-1053 en-50160 jcgm-100 jcgm-106 curran-2017",
        ),
        ("memory", "en-837-1 doe-sourcebook iso-6953-1 osha-1910-147 osha-1910-95 iso-12100 iso-230-2 iso-230-3"),
        ("memory", "kline-devor iec-60364-5-52 mclean-1971"),
        ("common-practice", "common-practice"),
        ("derived", "physics"),
    ],
)
def test_sources_are_not_called_better_known_than_they_are(kb: Knowledge, known: str, sources: str) -> None:
    found = [kb.sources[s].known for s in sources.split() if s in kb.sources]
    assert set(found) == {known}


def test_the_dew_points_limits_are_those_of_the_water_classes(kb: Knowledge) -> None:
    """ISO 8573-1:2010, water classes by pressure dew point (as restated in OPC 40250-1, second-hand): class 4 ends at
    +3 degrees C, class 6 at +10."""
    spans = {o.id: (o.start and o.start.value, o.end and o.end.value) for o in kb.checks["dew-point"].outcomes}
    assert kb.checks["dew-point"].unit == "degC"
    assert kb.checks["dew-point"].source == "iso-8573-1"
    class_limits = {4: 3.0, 5: 7.0, 6: 10.0}
    assert spans["dry"][1] == class_limits[4]
    assert spans["damp"] == (class_limits[4], class_limits[6])
    assert spans["wet"][0] == class_limits[6]


def test_a_bath_is_mixed_ten_to_one_with_an_example(kb: Knowledge) -> None:
    """Common practice, no source: 10 parts water to 1 part concentrate, such as 2.5 L and 250 mL."""
    text = " ".join(kb.remedies["change-bath"].steps)
    assert "10 parts water and 1 part concentrate" in text
    assert "2.5 L and 250 mL" in text
