"""Which part of the air line is short while the mill cuts, from the gauges along it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from advisor.calc.base import CalcError, Calculation, Class, Figure, Given, Input, Worked, deviation, nominal, put
from advisor.calc.regulator import HEADROOM, draws, not_below_zero, own_gauges, regulator_split, surely_above

__all__ = ["CALCULATIONS"]

SURE = 0.8  # below this chance of the part another look is asked for
ALLOWED = 0.05  # share of the required pressure that may be missing; common practice

# Each place a gauge may be, with the part that lies just ahead of it.
FILTER_FIRST = (
    ("receiver", "supply"),
    ("supply", "hose"),
    ("after_filter", "filter"),
    ("after_regulator", "regulator"),
    ("inlet", "hose"),
)
REGULATOR_FIRST = (
    ("receiver", "supply"),
    ("supply", "hose"),
    ("after_regulator", "regulator"),
    ("after_filter", "filter"),
    ("inlet", "hose"),
)
NAMES = {
    "receiver": "the receiver",
    "supply": "the supply ahead of filter and regulator",
    "after_filter": "the point behind the filter",
    "after_regulator": "the point behind the regulator",
    "inlet": "the inlet",
}
Parts = tuple[str, ...]


def _stretches(chain: Sequence[tuple[str, str]], known: Iterable[str]) -> list[tuple[str | None, str, Parts]]:
    """From gauge to gauge: (place before or None, place behind, parts between), in the order of the air. What lies
    ahead of the first gauge that is ahead of the regulator counts as supply."""
    known = set(known)
    found: list[tuple[str | None, str, Parts]] = []
    before: str | None = None
    parts: list[str] = []
    for place, part in chain:
        parts.append(part)
        if place in known:
            between = tuple(dict.fromkeys(parts))
            if before is None and place in ("receiver", "supply"):
                between = ("supply",)
            found.append((before, place, between))
            before, parts = place, []
    return found


def _losses(readings: Mapping[str, Any], chain: Sequence[tuple[str, str]], required: float) -> dict[Parts, Any]:
    """MPa missing at the inlet while the mill cuts, by part, or by the parts between two gauges that no gauge tells
    apart. `readings` holds arrays of (rest, flow) by place."""
    import numpy as np

    fall = {place: rest - flow for place, (rest, flow) in readings.items()}
    static = readings["inlet"][0]
    lost: dict[Parts, Any] = {}

    def add(parts: Parts, amount: Any) -> None:
        lost[parts] = lost.get(parts, 0.0) + np.maximum(amount, 0.0)

    stretches = _stretches(chain, readings)
    at = next(i for i, (_, _, parts) in enumerate(stretches) if "regulator" in parts)
    before, behind, parts = stretches[at]
    if before is None:
        add(("setting",), required - static)
        add(parts, fall[behind])
    else:
        highest = readings[before][0] - HEADROOM
        add(("setting",), np.minimum(required, highest) - static)
        add(("supply",), required - np.maximum(static, highest))
        given = np.minimum(readings[behind][0], readings[before][1] - HEADROOM)
        ahead = np.clip(readings[behind][0] - given, 0.0, np.maximum(fall[behind], 0.0))
        add(parts, fall[behind] - ahead)
        shares = {}
        for first, place, between in stretches[:at]:
            shares[place, between] = np.maximum(fall[place] - (fall[first] if first else 0.0), 0.0)
        first_place = stretches[0][1]
        scarce = readings[behind][0] + HEADROOM - readings[first_place][0]
        shares[first_place, stretches[0][2]] += np.maximum(scarce, 0.0) + 1e-9
        whole = sum(shares.values())
        for (_, between), share in shares.items():
            add(between, ahead * share / whole)
    for first, place, between in stretches[at + 1 :]:
        add(between, fall[place] - fall[str(first)])
    return lost


def _classes(lost: Mapping[Parts, Any], flow: Any, required: float) -> tuple[dict[str, float], Parts]:
    """Probability of each class, and the parts most probably short, the ones no gauge tells apart together."""
    import numpy as np

    groups = list(lost)
    winner = np.argmax(np.stack([np.broadcast_to(lost[k], flow.shape) for k in groups]), axis=0)
    short = flow < (1 - ALLOWED) * required
    classes = dict.fromkeys((c.id for c in LINE_READINGS.classes), 0.0)
    classes["none"] = float(np.mean(~short))
    weight = {group: float(np.mean(short & (winner == i))) for i, group in enumerate(groups)}
    for group, share in weight.items():
        for part in group:
            classes[part] += share / len(group)
    best = max(groups, key=lambda k: weight[k])
    return classes, best if weight[best] > classes["none"] else ("none",)


def _line_readings(g: Given) -> Worked:
    chain = FILTER_FIRST if g["order"] == "filter-first" else REGULATOR_FIRST
    places = own_gauges({place: g[place] for place, _ in chain if g[place]})
    required = nominal(g["required"])
    _sensible(places, chain)
    drawn = draws(places)
    lost = _losses(drawn, chain, required)
    classes, best = _classes(lost, drawn["inlet"][1], required)
    figures, lines = _figures(places, chain, required)
    return Worked(figures, tuple(lines), classes=classes, says=_says(best, classes, chain, places))


def _sensible(places: Mapping[str, Sequence[Any]], chain: Sequence[tuple[str, str]]) -> None:
    order = [place for place, _ in chain]
    at = order.index("after_regulator")
    for place in order[at:]:
        if place in places and surely_above(places[place][1], places[place][0]):
            option = place.replace("_", "-")
            raise CalcError(
                place,
                f"{option}: it cannot be higher while the mill cuts than at rest; type the reading at rest first, then the one in the cut",
            )
    for high in order[:at]:
        if high in places and surely_above(places["inlet"][0], places[high][0]):
            option = high.replace("_", "-")
            raise CalcError(
                high,
                f"{option}: at rest it is below the inlet, which it feeds; read both again at the same moment, or compare the two gauges",
            )


def _figures(
    places: Mapping[str, Sequence[Any]], chain: Sequence[tuple[str, str]], required: float
) -> tuple[dict[str, Any], list[str]]:
    fall = {place: rest - flow for place, (rest, flow) in places.items()}
    flow = places["inlet"][1]
    figures: dict[str, Any] = {"margin": flow - required}
    falls = ", ".join(
        f"{place.replace('_', ' ')} {put(fall[place], digits=2)}" for place, _ in chain if place in places
    )
    lines = [
        f"{put(flow, digits=3)} - {put(required, digits=3)} = {put(flow - required, 'MPa', 2)}; fall from rest to cut, MPa: {falls}"
    ]
    for before, place, parts in _stretches(chain, places):
        if parts == ("supply",):
            figures["supply"] = not_below_zero(fall[place])
        elif parts == ("regulator",) and before:
            figures["regulator"] = not_below_zero(
                regulator_split(places[place][0], places[place][1], places[before][1])[1]
            )
        elif parts in (("filter",), ("hose",)) and before and place != "supply":
            figures[parts[0]] = not_below_zero(fall[place] - fall[before])
    if "after_regulator" in places:
        apart = places["after_regulator"][0] - places["inlet"][0]
        if abs(nominal(apart)) > 2 * deviation(apart):
            lines.append(
                f"At rest regulator and inlet gauge differ by {put(abs(nominal(apart)), 'MPa', 2)}: one reads wrong, or it leaks."
            )
    return figures, lines


ADVICE = {
    "none": "The mill gets its pressure while it cuts: look elsewhere for the trouble.",
    "setting": "Turn the regulator up to what the mill asks for, at rest; then read all again in the cut.",
    "supply": "The supply sinks: look at other users, leaks and the compressor before you touch the regulator.",
    "regulator": "The regulator gives way: clean it or fit one that passes more; `regulator-droop` looks closer.",
    "filter": "The filter takes the pressure: change its element and read again.",
    "hose": "Hose, pipe or valve takes the pressure: look for kinks, half-shut valves and thin pieces first.",
}


def _says(
    best: Parts, classes: Mapping[str, float], chain: Sequence[tuple[str, str]], places: Mapping[str, Any]
) -> tuple[str, ...]:
    if len(best) == 1:
        sure = classes[best[0]] >= SURE
        return (ADVICE[best[0]],) if sure else (ADVICE[best[0]], "Not sure yet: read all again on one test gauge.")
    for before, behind, parts in _stretches(chain, places):
        if parts == best:
            inner = [place for place, _ in chain]
            start = inner.index(before) + 1 if before else 1
            more = [NAMES[p] for p in inner[start : inner.index(behind)]]
            return (
                f"No gauge tells {', '.join(best[:-1])} and {best[-1]} apart.",
                f"Read {' or '.join(more[-2:])} too, at rest and in the cut." if more else "Change them one at a time.",
            )
    return ()


def _pair(key: str, symbol: str, where: str, gauge: str, optional: bool = True) -> Input:
    return Input(
        key,
        symbol,
        f"{where}: at rest, in the cut",
        "MPa",
        0.0,
        1.6,
        instrument=gauge,
        several=(2, 2),
        optional=optional,
    )


LINE_READINGS = Calculation(
    id="line-readings",
    title="Which part of the air line is short",
    subject="air",
    answers="Where does the pressure get lost while the mill cuts: supply, filter, regulator, hose, or setting?",
    inputs=(
        _pair("receiver", "p1", "receiver", "line-gauge"),
        _pair("supply", "p2", "supply side", "line-gauge"),
        _pair("after_filter", "p3", "behind filter", "line-gauge"),
        _pair("after_regulator", "p4", "behind regulator", "line-gauge"),
        _pair("inlet", "p5", "mill's inlet", "inlet-gauge", optional=False),
        Input(
            "required", "pr", "pressure the mill needs", "MPa", 0.1, 1.2, profile="inlet_pressure", default="0.6 MPa"
        ),
        Input(
            "order",
            "",
            "order of filter and regulator",
            choices=("filter-first", "regulator-first"),
            default="filter-first",
        ),
    ),
    figures=(
        Figure("margin", "", "inlet in the cut, above required", "MPa"),
        Figure("supply", "", "fall of the supply", "MPa"),
        Figure("filter", "", "loss in the filter", "MPa"),
        Figure("regulator", "", "loss in the regulator", "MPa"),
        Figure("hose", "", "loss in the hose to the mill", "MPa"),
    ),
    work=_line_readings,
    sources=("physics", "iso-6953-1", "common-practice"),
    example={
        "supply": "0.78 0.74",
        "after_filter": "0.78 0.73",
        "after_regulator": "0.64 0.61",
        "inlet": "0.64 0.48",
        "order": "filter-first",
    },
    classes=(
        Class("none", "nothing short: the inlet keeps its pressure"),
        Class("setting", "set too low: short at rest already"),
        Class("supply", "supply: compressor and receiver sink"),
        Class("regulator", "regulator gives way"),
        Class("filter", "filter takes the pressure"),
        Class("hose", "hose, pipe or valve takes the pressure"),
    ),
    hazards=("pressurised-air",),
)

CALCULATIONS = (LINE_READINGS,)
