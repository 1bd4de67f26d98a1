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
    plural,
    rate,
    slug,
)
from advisor.paper.printed import moment, quantity, safe
from advisor.review.figures import Pace, Repeat, Review, ToSign, Trend
from advisor.review.repeats import others, telling
from advisor.review.trends import LEAST

__all__ = ["Answers"]

# What a reader can use; the rest is in the JSON.
_MOST_CAUSES = 30
_MOST_CHARTS = 6
_MOST_READINGS = 8  # the last ones of a chart's table
_MOST_SIGNALS = 8  # the last ones of a chart's table
_MOST_PAIRS = 2  # of each remedy
_SIDES = {"low": "from", "high": "below"}
_ORDERS = {"money": "money", "minutes": "bench time", "cases": "cases"}


class Answers:
    """Turns a review into parts; keeps which cases were named."""

    def __init__(self, review: Review, compiled: Compiled) -> None:
        self.review, self.kb = review, compiled.kb
        self.named: set[str] = set()
        self.listed = {c.cause for c in review.causes[:_MOST_CAUSES] if c.cause}

    def _case(self, case: str) -> Cell:
        """A case by its handle, linked to its line in the list of cases."""
        self.named.add(case)
        return Cell(safe(case, 80), href=f"case-{slug(case)}")

    def _known(self, case: str) -> tuple[Cell, ...]:
        """When a case began, its mill, and its cause or complaint."""
        known = self.review.cases.get(case)
        if known is None:  # read in this period, begun long before
            return Cell("–"), Cell("–"), Cell("–")
        return Cell(moment(known.begun)[:10]), Cell(mill_name(known.mill)), Cell(safe(known.title, 120))

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
            unpriced = plural(review.totals.unpriced, "block")
            part.words.append(f"Of a material without a price, and so not in the money: {unpriced}.")
        rows = []
        for place, c in enumerate(review.causes[:_MOST_CAUSES], start=1):
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
        more = left_out(len(review.causes), _MOST_CAUSES)
        grid = Grid("Causes and what they cost", head, tuple(rows), "No case was closed in this time.", more)
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
            "first 8 to 20 sound readings and stay put; a sound reading away from the check's limit is no signal. "
            "Signals: a reading outside the limits, a step too large, the smoothed mean outside its own limits."
        )
        # hours and days that the circumstances tell of rise by themselves: no state of the mill to chart
        telling = [t for t in self.review.trends if t.signals and not t.series.startswith("setting.")]
        for place, trend in enumerate(telling[:_MOST_CHARTS], start=1):
            title = f"{trend.title}, mill {mill_name(trend.mill)}"
            part.figures.append(Figure(title, Markup(control(trend, f"chart{place}")), self._readings(trend, title)))
        if len(telling) > _MOST_CHARTS:
            part.words.append(f"{len(telling)} series have a signal; the first {_MOST_CHARTS} are drawn.")
        listed = [t for t in self.review.trends if t.signals or len(t.values) >= LEAST]
        left = len(self.review.trends) - len(listed)
        more = f"Not listed: {left} series with fewer than {LEAST} readings." if left else ""
        rows = tuple(self._series(t) for t in listed)
        head = ("Series", "Mill", "Readings", "Range", "A sound mill", "Signals", "Drift")
        part.grids.append(
            Grid("All series of readings", head, rows, f"No series of {LEAST} readings in this time.", more)
        )
        mills = [
            (
                Cell(mill_name(m.mill)),
                number(f"{m.faults}"),
                number("–" if m.mtbf_days is None else plural(round(m.mtbf_days, 1), "day")),
                number("–" if m.made is None else f"{m.made:.0f}"),
                number("–" if m.scrapped is None else f"{m.scrapped:.0f}"),
                Cell({"diary": "the diary", "cases": "blocks lost in cases"}.get(m.scrap_from or "", "–")),
                number("–" if m.scrap_ratio is None else f"{100 * m.scrap_ratio:.1f} %"),
            )
            for m in self.review.mills
        ]
        head = ("Mill", "Faults", "Time between faults", "Made", "Scrapped", "Scrap from", "Scrap ratio")
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
        later, basis = trend.later, set(trend.basis)
        count = len(trend.values)
        shown = sorted({*trend.signals[-_MOST_SIGNALS:], *range(max(count - _MOST_READINGS, 0), count)})
        rows = []
        for i in shown:
            said = [name for places, name in _signals(trend) if i in places]
            smooth = trend.smoothed.values[i - later] if trend.smoothed and i >= later else None
            rows.append(
                (
                    Cell(moment(trend.at[i])[:10]),
                    self._case(trend.cases[i]) if said else Cell(safe(trend.cases[i], 80)),
                    number(f"{trend.values[i]:.4g}"),
                    number("–" if smooth is None else f"{smooth:.4g}"),
                    Cell(", ".join(said) or ("sets the limits" if i in basis else "")),
                )
            )
        left = count - len(shown)
        unit = quantity(0, trend.unit).removeprefix("0").strip()
        head = ("When", "Case", f"Reading{f', {unit}' if unit else ''}", "Smoothed mean", "Signal")
        more = f"Drawn but not listed: {plural(left, 'earlier reading')}." if left else ""
        chart = trend.chart
        limits = f"; limits {chart.lower:.4g} to {chart.upper:.4g}, centre {chart.mean:.4g}" if chart else ""
        return Grid(f"Readings: {title}{limits}", head, tuple(rows), more=more)

    def held(self) -> Part:
        found = self.review.repeats
        part = Part("held", "Which fix did not hold")
        part.words.append(
            f"Fixes proven in this time: {found.fixes}. A complaint that comes back on the same mill within "
            f"{plural(found.days, 'day')} counts as a repeat. Complaints that were repeats: {rate(found.complaints)}."
        )
        failed = [h for h in found.remedies if h.failed.hits]
        rows = [
            (
                Cell(h.title, code=safe(h.remedy, 80)),
                number(f"{h.fixes}"),
                number(f"{h.failed.hits}"),
                number(f"{per_cent(h.failed.share)} ({100 * h.failed.low:.0f} to {per_cent(h.failed.high)})"),
                Cell(", ".join(f"{mill_name(mill)} {count}" for mill, count in h.mills) or "–"),
                number(f"{h.unclear}"),
                number(f"{h.watching}"),
            )
            for h in failed
        ]
        head = ("Remedy", "Fixes", "Did not hold", "Share, interval", "On", "Not confirmed", "Too early to tell")
        empty = "None failed." if found.fixes else "No fix was proven in this time."
        part.grids.append(Grid("Remedies that did not hold", head, tuple(rows), empty, others(found.remedies)))
        again = telling(found.remedies, _MOST_PAIRS)
        left = sum(h.failed.hits for h in failed) - len(again)
        more = f"Not listed: {left} more (advisor review --format json gives all)." if left else ""
        columns = ("Remedy", "Mill", "Fixed in case", "Back in case", "After", "Symptoms shared")
        caption = "Complaints that came back with the same cause"
        pairs = tuple(self._repeat(r) for r in again[:MOST_ROWS])
        part.grids.append(Grid(caption, columns, pairs, "None came back.", more))
        return part

    def _repeat(self, repeat: Repeat) -> tuple[Cell, ...]:
        symptoms = "; ".join(self.review.symptoms.get(s, safe(s, 80)) for s in repeat.symptoms)
        return (
            Cell(self.review.remedies.get(repeat.remedy, safe(repeat.remedy, 80))),
            Cell(mill_name(repeat.mill)),
            self._case(repeat.case),
            self._case(repeat.later),
            number(plural(round(repeat.days), "day")),
            Cell(symptoms or "–"),
        )

    def sign(self) -> Part:
        part = Part("sign", "What must I sign")
        head = ("Case", "Begun", "Mill", "Technician", "Cause", "Look at")
        for caption, asked, empty in (
            ("Cases to sign", False, "Nothing waits to be signed."),
            ("Cases that wait for the technician's answer", True, "None."),
        ):
            found = [s for s in self.review.sign if s.asked is asked]
            rows = tuple(self._signature(s) for s in found[:MOST_ROWS])
            part.grids.append(Grid(caption, head, rows, empty, left_out(len(found))))
        opened = tuple((self._case(case), *self._known(case)) for case in self.review.open[:MOST_ROWS])
        more = left_out(len(self.review.open))
        columns = ("Case", "Begun", "Mill", "Complaint")
        part.grids.append(Grid("Open cases, oldest first", columns, opened, "No case is open.", more))
        return part

    def _signature(self, case: ToSign) -> tuple[Cell, ...]:
        return (
            self._case(case.case),
            Cell(moment(case.begun)[:10] + (", before this time" if case.before else "")),
            Cell(mill_name(case.mill)),
            Cell(safe(case.technician, 80) or "not named"),
            self._cause(case.cause, case.title),
            Cell("; ".join(case.look) or "–"),
        )

    def cases(self) -> Part:
        """Every case named above, by its handle."""
        part = Part("cases", "Cases named on this page", words=["To read one, type: advisor case, and its id."])
        rows = tuple(
            (Cell(safe(case, 80), anchor=f"case-{slug(case)}"), *self._known(case)) for case in sorted(self.named)
        )
        head = ("Case", "Begun", "Mill", "Cause, or the complaint")
        part.grids.append(Grid("Cases", head, rows, "None."))
        return part


def _signals(trend: Trend) -> tuple[tuple[tuple[int, ...], str], ...]:
    return (
        (trend.outside, "outside"),
        (trend.jumps, "step"),
        (trend.shifted, "smoothed mean"),
    )


def _drift(trend: Trend) -> str:
    """The drift of a series in words, and when it meets the limit."""
    if not trend.baseline:
        few = len(trend.values) < LEAST
        return "too few readings" if few else "too few sound readings" if trend.limits else "all alike"
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
    if pace.days is None or pace.soonest is None or pace.latest is None:  # at its slowest it never meets the limit
        return words
    days = plural(max(round(pace.days), 1), "day")
    return f"{words}; meets the limit {limit} in about {days} ({pace.soonest:.0f} to {pace.latest:.0f})"
