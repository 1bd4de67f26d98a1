"""The cause graph as a drawing to read: one symptom with its causes and the checks that tell them, or the whole base."""

from __future__ import annotations

import textwrap
from collections import defaultdict
from pathlib import Path
from typing import Any

from advisor.calc.picture import drawn
from advisor.model import Knowledge

__all__ = ["draw_base", "draw_symptom"]

CHECKS_EACH = 4


def draw_symptom(kb: Knowledge, symptom: str, path: Path, causes: int = 14) -> None:
    """Write an SVG: the symptom, its causes by prior x frequency, and the checks that show each of them most.

    Line width is the frequency. KeyError for an unknown symptom, OSError when the file cannot be written.
    """
    record = kb.symptoms[symptom]
    share = kb.vocabulary.share
    shown = {
        c.id: c.prior.per_hundred * share(x.seen) for c in kb.causes.values() for x in c.shows if x.symptom == symptom
    }
    chosen = sorted(shown, key=lambda c: (-shown[c], c))[:causes]
    lines: list[tuple[str, str, str, float]] = []
    for cause in chosen:
        links = [x for x in kb.causes[cause].shows if x.check]
        for link in sorted(links, key=lambda x: -share(x.seen))[:CHECKS_EACH]:
            lines.append((cause, str(link.check), str(link.outcome), share(link.seen)))
    order: dict[str, list[int]] = defaultdict(list)
    for cause, check, _, _ in lines:
        order[check].append(chosen.index(cause))
    checks = sorted(order, key=lambda k: (sum(order[k]) / len(order[k]), k))
    height = max(len(chosen), len(checks), 4)
    with drawn(path, f"{record.title}: causes and checks", (13.0, 0.34 * height + 1.2)) as axes:
        axes.axis("off")
        cause_y = {c: (i + 0.5) * height / len(chosen) for i, c in enumerate(chosen)}
        check_y = {k: (i + 0.5) * height / len(checks) for i, k in enumerate(checks)}
        middle = height / 2
        for cause in chosen:
            seen = max(share(x.seen) for x in kb.causes[cause].shows if x.symptom == symptom)
            axes.plot([1.72, 3.0], [middle, cause_y[cause]], color="0.6", linewidth=0.4 + 2.6 * seen, zorder=1)
        for cause, check, _, seen in lines:
            axes.plot([6.4, 8.2], [cause_y[cause], check_y[check]], color="0.6", linewidth=0.4 + 2.6 * seen, zorder=1)
        _label(axes, 0.0, middle, "\n".join(textwrap.wrap(record.title, 22)), "bold")
        for cause in chosen:
            title = kb.causes[cause].title
            _label(axes, 3.02, cause_y[cause], title if len(title) <= 50 else title[:48] + "...", "normal")
        for check in checks:
            outcomes = " / ".join(dict.fromkeys(o for _, k, o, _ in lines if k == check))
            title = f"{kb.checks[check].title}: {outcomes}"
            _label(axes, 8.22, check_y[check], title if len(title) <= 56 else title[:54] + "...", "normal")
        axes.set(xlim=(-0.1, 12.6), ylim=(height + 0.2, -0.7))
        for x, head in (
            (0.0, "complaint"),
            (3.02, f"likeliest causes ({len(chosen)} of {len(shown)})"),
            (8.22, "checks that show them"),
        ):
            axes.text(x, -0.35, head, fontsize=8, color="0.35")


def draw_base(kb: Knowledge, path: Path) -> None:
    """Write an SVG: every cause (by system) against every symptom, darker where it is shown more often."""
    share = kb.vocabulary.share
    systems = [s.id for s in kb.vocabulary.systems]
    causes = sorted(kb.causes.values(), key=lambda c: (systems.index(c.system), c.id))
    symptoms = sorted(kb.symptoms.values(), key=lambda s: (s.family, s.id))
    with drawn(
        path,
        "Causes by system against symptoms; darker is more often",
        (3.4 + 0.22 * len(symptoms), 2.4 + 0.155 * len(causes)),
    ) as axes:
        axes.axis("off")
        for y, cause in enumerate(causes):
            shown = {x.symptom: share(x.seen) for x in cause.shows if x.symptom}
            for x, symptom in enumerate(symptoms):
                if symptom.id in shown:
                    grey = f"{0.88 - 0.8 * shown[symptom.id]:.2f}"
                    axes.add_patch(_patch(x, y, grey))
            axes.text(-0.6, y, cause.title[:52], fontsize=5.5, ha="right", va="center", parse_math=False)
        last = ""
        for y, cause in enumerate(causes):
            if cause.system != last:
                last = cause.system
                axes.axhline(y - 0.5, color="0.75", linewidth=0.5)
                axes.text(len(symptoms) - 0.3, y, last, fontsize=6, color="0.35", va="center")
        for x, symptom in enumerate(symptoms):
            axes.text(
                x, -0.9, symptom.title[:46], fontsize=5.5, rotation=90, ha="center", va="bottom", parse_math=False
            )
        axes.set(xlim=(-16, len(symptoms) + 4), ylim=(len(causes) + 0.5, -17))


def _patch(x: float, y: float, grey: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((x - 0.42, y - 0.42), 0.84, 0.84, facecolor=grey, edgecolor="none")


def _label(axes: Any, x: float, y: float, text: str, weight: str) -> None:
    axes.text(x, y, text, fontsize=7.5, va="center", ha="left", fontweight=weight, parse_math=False)
