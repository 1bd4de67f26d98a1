"""The parts of the review page that stand behind the four answers, and the list of the cases they name."""

from __future__ import annotations

from advisor.compiled import Compiled
from advisor.paper.pagegrid import (
    MOST_ROWS,
    Cell,
    Figure,
    Grid,
    Part,
    left_out,
    mill_name,
    minutes,
    money,
    number,
    per_cent,
    rate,
    slug,
)
from advisor.paper.printed import moment, quantity, safe
from advisor.review.figures import Pace, Repeat, Review, Trend

__all__ = ["Answers"]

_MOST_CHARTS = 12  # series drawn; all are in the table
_FEW = 3  # a series with fewer readings and no signal is only counted
_MOST_READINGS = 24  # rows of a chart's table; those with a signal always stand there
_SIDES = {"low": "from", "high": "below"}
_ORDERS = {"money": "money", "minutes": "bench time", "cases": "cases"}


class Answers:
    """Turns a review into parts; keeps which cases were named where."""

    def __init__(self, review: Review, compiled: Compiled) -> None:
        self.review, self.kb = review, compiled.kb
        self.named: dict[str, dict[str, str]] = {}
        self.anchored: set[str] = set()
        self.listed = {c.cause for c in review.causes if c.cause}

    def _case(self, case: str, where: str, part: str) -> Cell:
        """A case by its handle, linked to its line in the list of cases."""
        self.named.setdefault(case, {})[part] = where
        return Cell(safe(case, 80), href=f"case-{slug(case)}")

    def _cause(self, cause: str | None, title: str = "") -> Cell:
        """A cause by title and id, linked to its line in the table of causes if it has one."""
        if not cause:
            return Cell(title or "no cause named")
        record = self.kb.causes.get(cause)
        name = title or (record.title if record else safe(cause, 80))
        return Cell(name, code=safe(cause, 80), href=f"cause-{slug(cause)}" if cause in self.listed else "")

    def cost(self) -> Part:
        from markupsafe import Markup

        from advisor.paper.pagecharts import pareto

        review = self.review
        part, currency = Part("cost", "What costs us most"), review.prices.currency
        order = _ORDERS.get(review.order, review.order)
        part.words.append(f"Closed cases by their final cause, in the order of {order}.")
        if not review.prices.given:
            part.words.append("No prices are set, so nothing is reckoned in money.")
        elif review.totals.unpriced:
            part.words.append(
                f"{review.totals.unpriced:g} blocks are of a material without a price and not in the money."
            )
        rows = []
        for place, c in enumerate(review.causes, start=1):
            cell = self._cause(c.cause, c.title)
            anchor = f"cause-{slug(c.cause)}" if c.cause else ""
            rows.append(
                (
                    Cell(f"{place}. {cell.text}", code=cell.code, anchor=anchor),
                    number(f"{c.cases}"),
                    number(f"{c.confirmed}"),
                    number(minutes(c.minutes)),
                    number(f"{c.blocks:g}"),
                    number(money(c.money, currency)),
                    number(per_cent(c.share)),
                    number(per_cent(c.cumulative)),
                )
            )
        head = ("Cause", "Cases", "Confirmed", "Bench time", "Blocks", "Money", "Share", "Cumulative")
        grid = Grid("Causes and what they cost", head, tuple(rows), "No case was closed in this time.")
        if any(c.share for c in review.causes):
            drawing = Markup(pareto(review.causes, order, "pareto"))
            part.figures.append(Figure(f"Pareto chart of causes by {order}", drawing, grid))
        else:
            part.grids.append(grid)
        return part

    def drift(self) -> Part:
        from markupsafe import Markup

        from advisor.paper.pagecharts import control

        part = Part("drift", "Which mill is drifting")
        part.words.append(
            "Readings come from cases, so most were taken when something was wrong. Limits of a chart come from the "
            "first readings and stay put: mean ± 3 sigma from moving ranges; the EWMA has weight 0.3. Too few: fewer than "
            "eight readings, or all alike."
        )
        # hours and days that the circumstances tell of rise by themselves: no state of the mill to chart
        telling = [t for t in self.review.trends if t.signals and not t.series.startswith("setting.")]
        for place, trend in enumerate(telling[:_MOST_CHARTS], start=1):
            title = f"{trend.title}, mill {mill_name(trend.mill)}"
            part.figures.append(Figure(title, Markup(control(trend, f"chart{place}")), self._readings(trend, title)))
        if len(telling) > _MOST_CHARTS:
            part.words.append(f"{len(telling)} series have a signal; the first {_MOST_CHARTS} are drawn.")
        listed = [t for t in self.review.trends if t.signals or t.count >= _FEW]
        left = len(self.review.trends) - len(listed)
        more = f"{left} series with fewer than {_FEW} readings are not listed." if left else ""
        rows = tuple(self._series(t) for t in listed)
        head = ("Series", "Mill", "Readings", "Range", "A sound mill", "Signals", "Drift")
        part.grids.append(Grid("All series of readings", head, rows, "No series of three readings in this time.", more))
        mills = [
            (
                Cell(mill_name(m.mill)),
                number(f"{m.faults}"),
                number("–" if m.mtbf_days is None else f"{m.mtbf_days:.1f} days"),
                number("–" if m.made is None else f"{m.made:g}"),
                number("–" if m.scrapped is None else f"{m.scrapped:g}"),
                Cell({"diary": "the diary", "cases": "blocks lost in cases"}.get(m.scrap_from or "", "–")),
                number("–" if m.scrap_ratio is None else f"{100 * m.scrap_ratio:.1f} %"),
            )
            for m in self.review.mills
        ]
        head = ("Mill", "Faults", "Time between faults", "Made", "Scrapped", "Scrap after", "Scrap ratio")
        part.grids.append(Grid("The mills", head, tuple(mills), "No mill had a case or an entry in this time."))
        return part

    def _series(self, trend: Trend) -> tuple[Cell, ...]:
        limits = [f"{_SIDES[m.side]} {quantity(m.value, trend.unit, 4)}" for m in trend.limits]
        return (
            Cell(safe(trend.title, 160), code=safe(trend.series, 80) if trend.series != trend.title else ""),
            Cell(mill_name(trend.mill)),
            number(f"{trend.count}"),
            number(f"{trend.low:.4g} to {quantity(trend.high, trend.unit, 4)}"),
            Cell("; ".join(limits) or "–"),
            number(f"{len(trend.signals)}" if trend.baseline else "–"),
            Cell(_drift(trend)),
        )

    def _readings(self, trend: Trend, title: str) -> Grid:
        later = len(trend.values) - (len(trend.smoothed.values) if trend.smoothed else 0)
        signals = set(trend.signals)
        shown = [i for i in range(len(trend.values)) if i in signals or i >= len(trend.values) - _MOST_READINGS]
        rows = []
        for i in shown:
            said = [name for places, name in _signals(trend) if i in places]
            smooth = trend.smoothed.values[i - later] if trend.smoothed and i >= later else None
            rows.append(
                (
                    Cell(moment(trend.at[i])),
                    self._case(trend.cases[i], "Readings with a signal", "drift")
                    if said
                    else Cell(safe(trend.cases[i], 80)),
                    number(f"{trend.values[i]:.4g}"),
                    number("–" if smooth is None else f"{smooth:.4g}"),
                    Cell(", ".join(said) or ("baseline" if i < trend.baseline else "")),
                )
            )
        left = len(trend.values) - len(shown)
        unit = quantity(0, trend.unit).removeprefix("0").strip()
        head = ("When (UTC)", "Case", f"Reading{f', {unit}' if unit else ''}", "EWMA", "Signal")
        more = f"{left} earlier readings without a signal are drawn but not listed." if left else ""
        chart = trend.chart
        limits = f"; limits {chart.lower:.4g} to {chart.upper:.4g}, centre {chart.mean:.4g}" if chart else ""
        return Grid(f"Readings: {title}{limits}", head, tuple(rows), more=more)

    def held(self) -> Part:
        found = self.review.repeats
        part = Part("held", "Which fix did not hold")
        part.words.append(
            f"{found.fixes} fixes were proven in this time. A complaint that comes back on the same mill within "
            f"{found.days:g} days counts as a repeat. Complaints that were repeats: {rate(found.complaints)}."
        )
        rows = [
            (
                Cell(h.title, code=safe(h.remedy, 80)),
                number(f"{h.fixes}"),
                number(f"{h.came_back}"),
                number(f"{h.failed.hits}"),
                Cell(rate(h.failed)),
                number(f"{h.unclear}"),
                number(f"{h.watching}"),
            )
            for h in found.remedies
        ]
        head = (
            "Remedy",
            "Fixes",
            "Came back",
            "Did not hold",
            "Share that did not hold",
            "Of them unclear",
            "Still watched",
        )
        part.grids.append(Grid("How the remedies held", head, tuple(rows), "No fix was proven in this time."))
        again = [self._repeat(r) for h in found.remedies for r in h.repeats]
        head = (
            "Remedy",
            "Mill",
            "Fixed in case",
            "Back in case",
            "After",
            "Cause of the later case",
            "Symptoms shared",
        )
        part.grids.append(Grid("Complaints that came back", head, tuple(again), "None came back."))
        return part

    def _repeat(self, repeat: Repeat) -> tuple[Cell, ...]:
        kinds = {"same": "the same", "unclear": "not confirmed", "other": "another"}
        symptoms = "; ".join(self.review.symptoms.get(s, safe(s, 80)) for s in repeat.symptoms)
        return (
            Cell(self.review.remedies.get(repeat.remedy, safe(repeat.remedy, 80))),
            Cell(mill_name(repeat.mill)),
            self._case(repeat.case, "Which fix did not hold", "held"),
            self._case(repeat.later, "Which fix did not hold", "held"),
            number(f"{repeat.days:.0f} days"),
            Cell(kinds.get(repeat.kind, safe(repeat.kind, 40))),
            Cell(symptoms or "–"),
        )

    def sign(self) -> Part:
        part = Part("sign", "What must I sign")
        rows = [
            (
                self._case(s.case, "What must I sign", "sign"),
                Cell(moment(s.begun) + (", before this time" if s.before else "")),
                Cell(mill_name(s.mill)),
                Cell(safe(s.technician, 80) or "not named"),
                self._cause(s.cause, s.title),
                Cell("; ".join([*(["you asked and wait for an answer"] if s.asked else []), *s.look]) or "–"),
            )
            for s in self.review.sign[:MOST_ROWS]
        ]
        head = ("Case", "Begun (UTC)", "Mill", "Technician", "Cause", "Look at")
        more = left_out(len(self.review.sign))
        part.grids.append(Grid("Cases to sign", head, tuple(rows), "Nothing waits to be signed.", more))
        opened = tuple((self._case(case, "Open", "sign"),) for case in self.review.open[:MOST_ROWS])
        more = left_out(len(self.review.open))
        part.grids.append(Grid("Open cases, oldest first", ("Case",), opened, "No case is open.", more))
        return part

    def cases(self) -> Part:
        """Every case named above, by its handle, with links to where it is named."""
        part = Part("cases", "Cases named on this page")
        rows = tuple(
            (
                Cell(safe(case, 80), anchor=f"case-{slug(case)}"),
                Cell("; ".join(dict.fromkeys(where.values())), href=next(iter(where))),
                Cell(f"advisor case {safe(case, 80)}"),
            )
            for case, where in sorted(self.named.items())
        )
        head = ("Case", "Named under", "To read it, type")
        part.grids.append(Grid("Cases", head, rows, "None."))
        return part


def _signals(trend: Trend) -> tuple[tuple[tuple[int, ...], str], ...]:
    return ((trend.outside, "outside the limits"), (trend.jumps, "jump"), (trend.shifted, "EWMA outside its limits"))


def _drift(trend: Trend) -> str:
    """The drift of a series in words, and when it meets the limit."""
    if not trend.baseline:
        return "too few"
    pace: Pace | None = trend.pace
    if pace is None:
        return "none"
    unit = trend.unit
    words = (
        f"{trend.drift or 'not sure'}: {pace.slope:+.3g} ({pace.low:+.3g} to {quantity(pace.high, unit, 3)}) in 30 days"
    )
    if pace.limit is None:
        return words
    limit = quantity(pace.limit.value, unit, 4)
    if pace.beyond:
        return f"{words}; past the limit {limit}"
    if pace.days is None:
        return words
    soonest = f"{pace.soonest:.0f}" if pace.soonest is not None else "?"
    latest = f"{pace.latest:.0f} days" if pace.latest is not None else "never"
    return f"{words}; meets the limit {limit} in about {pace.days:.0f} days ({soonest} to {latest})"
