"""The review as text, behind the four answers: cases, mills, care, burrs, the program's own record, counts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from advisor.review.glance import money_text, number_text, percent, plural, rate_text
from advisor.review.printing import MOST, Printer

if TYPE_CHECKING:
    from advisor.review.figures import Review
    from advisor.review.indicators import Count, Quartiles

__all__ = ["figures"]


def figures(review: Review, out: Printer) -> None:
    """Print them; a part without anything is left out."""
    _cases(review, out)
    _mills(review, out)
    _program(review, out)
    _counts(review, out)


def _cases(review: Review, out: Printer) -> None:
    t = review.totals
    out.head("Cases")
    parts = [f"{t.closed:,} closed", f"{t.open:,} open"]
    parts += [f"{n:,} {word}" for n, word in ((t.referred, "referred"), (t.imported, "imported")) if n]
    out.hanging("  ", f"{plural(t.cases, 'case')}: {', '.join(parts)}")
    cost = [f"{t.minutes:,.0f} min at the bench", f"{plural(t.blocks, 'block')} lost"]
    if t.money is not None:
        cost.append(money_text(t.money, review.prices))
    out.hanging("  ", f"Cost of the closed ones: {', '.join(cost)}")
    out.hanging("  ", f"First-time fix: {rate_text(review.first_fix)}: the first remedy tried was the one proven.")
    times = review.times
    if times.hours.count:
        out.hanging(
            "  ", f"Time to a proven fix: {_spread(times.hours, 'h')}; at the bench {_spread(times.minutes, 'min')}"
        )
        if times.unfixed:
            median = "not reached" if times.median_hours is None else f"{number_text(times.median_hours)} h"
            with_open = f"With the {times.unfixed:,} not fixed counted as 'longer than so far': median {median}."
            out.hanging("  ", with_open)
    else:
        out.hanging("  ", "Time to a proven fix: no fix was proven.")


def _spread(q: Quartiles, unit: str) -> str:
    if q.median is None or q.lower is None or q.upper is None:
        return "not noted"
    if q.count < 4:
        return f"median {number_text(q.median)} {unit} of only {q.count}"
    low, high = number_text(q.lower, q.median), number_text(q.upper, q.median)
    return f"median {number_text(q.median)} {unit}, the middle half {low} to {high} {unit}"


def _mills(review: Review, out: Printer) -> None:
    if review.mills:
        out.head("Mills")
        rows = []
        for m in review.mills[: 2 * MOST]:
            scrap = "-" if m.scrap_ratio is None else percent(m.scrap_ratio)
            made = "-" if m.made is None else f"{m.made:,.0f}"
            lost = "-" if m.scrapped is None else f"{m.scrapped:,.0f}"
            between = "-" if m.mtbf_days is None else f"{m.mtbf_days:,.1f}"
            rows.append([m.mill or "not named", f"{m.faults:,}", between, made, lost, scrap, m.scrap_from or "-"])
        out.table(["mill", "faults", "days between", "made", "scrapped", "scrap", "scrap from"], rows, " rrrrr")
        out.more(len(review.mills) - 2 * MOST, "mills")
        out.dim(
            "days between: mean time between faults after ISO 22400-2, period / (faults + 1); calendar days stand in for"
            " operating time. scrap: scrapped / made; made comes from the diary, and where it notes no scrap the blocks"
            " lost in cases stand in."
        )
    if review.overdue or review.care_unknown:
        out.head("Care overdue")
        late = [o for o in review.overdue if o.overdue_days is not None]
        rows = [
            [o.mill, o.title, o.every, (o.last or "")[:10], plural(o.overdue_days or 0, "day")] for o in late[:MOST]
        ]
        if rows:
            out.table(["mill", "task", "every", "last noted", "overdue by"], rows, "    r")
        out.more(len(late) - MOST, "tasks")
        never: dict[str, int] = {}
        for o in review.overdue:
            if o.overdue_days is None:
                never[o.mill] = never.get(o.mill, 0) + 1
        if never:
            out.hanging(
                "  ", "Never noted: " + ", ".join(f"{plural(n, 'task')} on {mill}" for mill, n in never.items())
            )
        if review.care_unknown:
            out.hanging("  ", "No care at all is noted for: " + ", ".join(review.care_unknown))
    if review.burrs:
        b = review.burrs
        out.head("Finishing burrs")
        few = " Fewer than five worn ones: next to nothing known yet." if b.few else ""
        out.hanging(
            "  ",
            f"Change by {number_text(b.change_by)} h (interval {number_text(b.low)} to {number_text(b.high)}): one in ten"
            f" is worn before. From {b.changed} worn and {b.running} still running.{few}",
        )
    if review.changes:
        out.head("Changed on the mills")
        for c in review.changes[-MOST:]:
            out.hanging("  ", f"{c.at[:10]} {c.mill}: {c.what}{f' ({c.by})' if c.by else ''}")


def _program(review: Review, out: Printer) -> None:
    program = review.program
    out.head("The program itself")
    if not program.right.count:
        out.dim("No case with a known cause, so nothing to hold it against.")
        return
    out.hanging("  ", f"Put the cause first before any remedy: {rate_text(program.right)}")
    out.hanging("  ", f"Signed cases only: {rate_text(program.signed)}")
    if program.brier is None:
        return
    rows = []
    for b in program.bins:
        share = b.right.share or 0.0
        bar = ["."] * 21
        bar[round(20 * b.said)] = "|"
        bar[round(20 * share)] = "x"
        rows.append(
            [
                f"{100 * b.low:.0f} to {100 * b.high:.0f} %",
                str(b.right.count),
                percent(b.said),
                percent(share),
                f"{percent(b.right.low)} to {percent(b.right.high)}",
                "".join(bar),
            ]
        )
    out.table(["said", "cases", "mean", "right", "interval", "0 % to 100 %"], rows, "rrrrr")
    out.dim("'|' what it said, 'x' how often it was right.")


def _counts(review: Review, out: Printer) -> None:
    lists = (
        ("Cautions raised", review.cautions),
        ("Cases by technician", review.technicians),
        ("Cases by material", review.materials),
    )
    if any(found for _, found in lists):
        out.head("Counts")
    for title, found in lists:
        if found:
            out.hanging("  ", f"{title}: {_counted(found)}")


def _counted(found: Sequence[Count]) -> str:
    told = "; ".join(f"{c.title} {c.count:,}" for c in found[:MOST])
    return told + (f"; {len(found) - MOST} more" if len(found) > MOST else "")
