"""The other parts of the review page: the time in figures, the program's own record, burrs, care, counts, notes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from advisor.paper.pagegrid import (
    MOST_ROWS,
    Cell,
    Figure,
    Grid,
    Part,
    hours,
    left_out,
    mill_name,
    minutes,
    money,
    number,
    per_cent,
    plural,
    rate,
)
from advisor.paper.printed import moment, safe
from advisor.review.figures import Count, Overdue, Quartiles, Review

__all__ = ["burrs", "care", "counted", "notes", "period", "program"]


def period(review: Review) -> Part:
    totals = review.totals
    part = Part("period", "The time in figures")
    times = review.times
    figures = [
        ("Cases begun", f"{totals.cases}", f"{totals.closed} closed, {totals.open} open"),
        ("Handed over", f"{totals.referred}", ""),
        ("Written in from older records", f"{totals.imported}", ""),
        (
            "Bench time of closed cases",
            minutes(totals.minutes),
            f"{totals.untimed} gave none" if totals.untimed else "",
        ),
        ("Blocks lost", f"{totals.blocks:g}", f"{totals.unpriced:g} without a price" if totals.unpriced else ""),
        (
            "Money",
            money(totals.money, review.prices.currency),
            "blocks and bench time" if review.prices.given else "no prices set",
        ),
        ("First-time-fix rate", per_cent(review.first_fix.share), rate(review.first_fix)),
        ("Time to a proven fix, median", hours(times.hours.median), _quartiles(times.hours, hours)),
        ("Bench time to a proven fix, median", minutes(times.minutes.median), _quartiles(times.minutes, minutes)),
        (
            "Time to a proven fix, median with those not fixed",
            hours(times.median_hours) if times.median_hours is not None else "not reached",
            f"{times.unfixed} without a proven fix, counted as longer than so far",
        ),
    ]
    rows = tuple((Cell(name), number(value), Cell(remark or "–")) for name, value, remark in figures)
    part.grids.append(Grid("Figures", ("What", "Figure", "Remark"), rows))
    return part


def program(review: Review) -> Part:
    from markupsafe import Markup

    from advisor.paper.pagecharts import calibration

    found = review.program
    part = Part("program", "How well the program did")
    part.words.append(
        "Only cases whose cause is known count: closed as confirmed, or corrected by the supervisor. "
        f"First cause right: {rate(found.right)}. Of signed cases: {rate(found.signed)}."
    )
    if found.brier is not None and found.said is not None:
        part.words.append(f"On average it said {per_cent(found.said)}.")
    rows = tuple(
        (
            Cell(f"{100 * b.low:.0f} to {100 * b.high:.0f} %"),
            number(per_cent(b.said)),
            number(f"{b.right.hits}"),
            number(f"{b.right.count}"),
            number(per_cent(b.right.share)),
            number(f"{100 * b.right.low:.0f} to {100 * b.right.high:.0f} %"),
        )
        for b in found.bins
    )
    head = ("Probability said", "Mean said", "Right", "Cases", "Share right", "95 % interval")
    grid = Grid("What was said and what was right", head, rows, "No case with a known cause.")
    if found.bins:
        part.figures.append(Figure("Calibration of the first cause", Markup(calibration(found, "calibration")), grid))
    else:
        part.grids.append(grid)
    return part


def burrs(review: Review, worn_and_running: tuple[Sequence[float], Sequence[float]] | None) -> Part:
    from markupsafe import Markup

    from advisor.paper.pagecharts import burr_life, still_good

    life = review.burrs
    part = Part("burrs", "Life of finishing burrs")
    if life is None:
        part.words.append("Too few cases tell the hours of a burr.")
        return part
    if life.few:
        part.words.append("Fewer than five worn burrs: next to nothing is known yet.")
    kind = "early failures" if life.shape < 1 else "wear"
    figures = [
        (
            "Change by",
            f"{life.change_by:.3g} h",
            f"one in ten fails before it; 95 % interval {life.low:.3g} to {life.high:.3g} h",
        ),
        ("Half of them last", f"{life.median:.3g} h", ""),
        ("Shape of the curve", f"{life.shape:.2f}", f"speaks for {kind}"),
        ("Worn burrs", f"{life.changed}", ""),
        ("Burrs still running or sound", f"{life.running}", "counted as longer than their hours"),
    ]
    figures += [
        (f"Still good after {t:.3g} h", per_cent(share), "by the fitted curve") for t, share in still_good(life)
    ]
    rows = tuple((Cell(name), number(value), Cell(remark or "–")) for name, value, remark in figures)
    grid = Grid("Burr life", ("What", "Figure", "Remark"), rows)
    part.figures.append(
        Figure("Share of burrs still good", Markup(burr_life(life, worn_and_running, "burrs-chart")), grid)
    )
    return part


def care(review: Review) -> Part:
    part = Part("care", "Care and changes")
    if review.care_unknown:
        mills = ", ".join(mill_name(m) for m in review.care_unknown)
        part.words.append(f"No care at all is noted in the diary of: {mills}.")
    dated = [o for o in review.overdue if o.last]
    rows = tuple(
        (
            Cell(o.title, code=safe(o.task, 80)),
            Cell(mill_name(o.mill)),
            Cell(_interval(o)),
            Cell(moment(o.last)),
            number("–" if o.overdue_days is None else f"{o.overdue_days:.0f}"),
        )
        for o in dated[:MOST_ROWS]
    )
    head = ("Task", "Mill", "Due", "Last done", "Days overdue")
    empty = "Nothing that the diaries tell of is overdue."
    part.grids.append(Grid("Care that is overdue", head, rows, empty, left_out(len(dated))))
    never: dict[str, list[Overdue]] = {}
    for overdue in review.overdue:
        if not overdue.last:
            never.setdefault(overdue.task, []).append(overdue)
    tasks = tuple(
        (
            Cell(found[0].title, code=safe(task, 80)),
            Cell(_interval(found[0])),
            Cell(", ".join(mill_name(o.mill) for o in found)),
        )
        for task, found in never.items()
    )
    part.grids.append(Grid("Care never noted", ("Task", "Due", "Mills"), tasks, "Every task was noted at least once."))
    changes = tuple(
        (Cell(moment(c.at)), Cell(mill_name(c.mill)), Cell(safe(c.what, 400)), Cell(safe(c.by, 80) or "not named"))
        for c in review.changes[:MOST_ROWS]
    )
    columns = ("When", "Mill", "What was changed", "By")
    part.grids.append(
        Grid("Changes on the mills", columns, changes, "No change is noted.", left_out(len(review.changes)))
    )
    return part


def _interval(overdue: Overdue) -> str:
    return f"every {overdue.hours:g} h" if overdue.hours is not None else f"every {overdue.every}"


def counted(review: Review) -> Part:
    part = Part("counts", "Cautions, technicians, materials")
    for caption, name, found in (
        ("Cautions acknowledged", "Caution", review.cautions),
        ("Cases by technician", "Technician", review.technicians),
        ("Cases by material", "Material", review.materials),
    ):
        part.grids.append(Grid(caption, (name, "Cases"), _counts(found), "None."))
    return part


def notes(review: Review) -> Part:
    part = Part("notes", "To read the figures right", words=list(review.notes))
    if not part.words:
        part.words.append("Nothing special.")
    return part


def _counts(found: Iterable[Count]) -> tuple[tuple[Cell, ...], ...]:
    return tuple(
        (Cell(safe(c.title, 300), code=safe(c.id, 80) if c.id and c.id != c.title else ""), number(f"{c.count}"))
        for c in found
    )


def _quartiles(found: Quartiles, told: Callable[[float | None], str]) -> str:
    return (
        f"{plural(found.count, 'fix', 'fixes')}, middle half {told(found.lower)} to {told(found.upper)}"
        if found.count
        else "no fix"
    )
