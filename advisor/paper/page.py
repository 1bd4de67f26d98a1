"""The review of a period as one HTML file: nothing to load, no script; to read, to hear, to search and to print."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from advisor.compiled import Compiled
from advisor.paper import pagerest
from advisor.paper.pageparts import Answers
from advisor.paper.printed import INVENTED, moment, rendered, safe, with_signs
from advisor.review.figures import Review

__all__ = ["page_html", "write_page"]

_ANSWERED = ("cost", "drift", "held", "sign")  # the parts behind the four answers


def write_page(
    review: Review,
    path: Path,
    compiled: Compiled,
    *,
    title: str,
    invented: bool,
    made_at: str,
    burr_hours: tuple[Sequence[float], Sequence[float]] | None = None,
) -> None:
    """Write the review as one HTML file; OSError when it cannot be written. Arguments as `page_html`."""
    text = page_html(review, compiled, title=title, invented=invented, made_at=made_at, burr_hours=burr_hours)
    path.write_text(text, encoding="utf-8")


def page_html(
    review: Review,
    compiled: Compiled,
    *,
    title: str,
    invented: bool,
    made_at: str,
    burr_hours: tuple[Sequence[float], Sequence[float]] | None = None,
) -> str:
    """The review as HTML: the four answers, then what stands behind them.

    `title` is the page's heading, `invented` marks the log of an invented lab, `made_at` is the ISO time printed on it.
    `burr_hours`: hours of worn burrs and of burrs still running (`advisor.burrlog`), for the Kaplan-Meier curve.
    """
    answers = Answers(review, compiled)
    parts = [answers.cost(), answers.drift(), answers.held(), answers.sign(), pagerest.period(review)]
    parts += [pagerest.program(review), pagerest.burrs(review, burr_hours), pagerest.care(review)]
    parts += [pagerest.counted(review), pagerest.notes(review), answers.cases()]
    period = review.period
    narrowed = [
        f"{name} {safe(value, 80)}"
        for name, value in (("mill", period.mill), ("technician", period.technician), ("material", period.material))
        if value
    ]
    return rendered(
        "review.html",
        title=title,
        span=f"Cases begun from {moment(period.since)} to {moment(period.last)} ({period.days:.0f} days)",
        narrowed=", ".join(narrowed),
        now=moment(period.now),
        made_at=moment(made_at),
        invented=invented,
        invented_mark=INVENTED,
        glance=[(g, with_signs(g.answer), part) for g, part in zip(review.glance, _ANSWERED, strict=False)],
        parts=parts,
    )
