"""Indicators of a set of cases: rates with their interval, times to a proven fix, costs by cause.

Pure functions on rows. Terms as in ISO 22400-2 where it has them. Titles are given by the caller as functions of an id.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from advisor.caserow import CaseRow
from advisor.review.charts import wilson

__all__ = [
    "CauseCost",
    "Count",
    "FixTimes",
    "Prices",
    "Quartiles",
    "Rate",
    "Title",
    "Totals",
    "costs",
    "counts",
    "first_fix",
    "fix_times",
    "known_cause",
    "moments",
    "plural",
    "quartiles",
    "rate",
]

Title = Callable[[str], str]
"""The title of an id."""


@dataclass(frozen=True)
class Rate:
    """`hits` of `count`, with Wilson's 95 % interval `low`..`high` (0..1; 0 and 1 when nothing was counted)."""

    hits: int
    count: int
    low: float
    high: float

    @property
    def share(self) -> float | None:
        """0..1, None when nothing was counted."""
        return self.hits / self.count if self.count else None


@dataclass(frozen=True)
class Quartiles:
    """Lower quartile, median and upper quartile of `count` values (linear between ranks); None when there are none."""

    count: int
    lower: float | None
    median: float | None
    upper: float | None


@dataclass(frozen=True)
class FixTimes:
    """Time from the beginning of a case to its proven fix; imported cases are left out (their times are of the import).

    `hours`: elapsed hours, of fixed cases only, so it flatters while slow cases are still open. `minutes`: bench minutes
    of the same cases. `median_hours` is the Kaplan-Meier median over all cases, those without a proven fix counted as
    "longer than" (until they were closed, or until now); None when fewer than half were ever fixed. `unfixed` is how
    many were counted so.
    """

    hours: Quartiles
    minutes: Quartiles
    median_hours: float | None
    unfixed: int


@dataclass(frozen=True)
class Prices:
    """What things cost, in `currency`: a block of each material, an hour of bench time. Not set is not counted."""

    currency: str = ""
    blocks: dict[str, float] = field(default_factory=dict)
    hour: float | None = None

    @property
    def given(self) -> bool:
        """True when there is a price to reckon with."""
        return self.hour is not None or bool(self.blocks)


@dataclass(frozen=True)
class Totals:
    """Cases begun in the period. `closed` + `open` = `cases`; `imported` and `referred` are among them.

    `minutes` is bench time, `blocks` blocks lost, both of closed cases; `money` None without prices. `untimed` closed
    cases gave no minutes; `unpriced` blocks are of a material without a price, and not in `money` (0 without any price).
    """

    cases: int
    closed: int
    open: int
    imported: int
    referred: int
    minutes: float
    blocks: float
    money: float | None
    untimed: int
    unpriced: float


@dataclass(frozen=True)
class CauseCost:
    """A cause in the Pareto order: closed cases with this final cause, and what they cost.

    `cause` None is "no cause named". `confirmed` of the `cases` are confirmed by the technician or corrected by the
    supervisor. `share` and `cumulative` (0..1) are of the order's figure (money, else minutes, else cases);
    0 when that figure is 0 throughout.
    """

    cause: str | None
    title: str
    cases: int
    confirmed: int
    minutes: float
    blocks: float
    money: float | None
    share: float
    cumulative: float


@dataclass(frozen=True)
class Count:
    """So many cases of one technician, material or caution; `id` None is "not given"."""

    id: str | None
    title: str
    count: int


def plural(count: float, one: str, many: str = "") -> str:
    """'1 day', '2 days', '2.5 days'."""
    text = f"{count:,.0f}" if count == round(count) else f"{count:,.1f}"
    return f"{text} {one if count == 1 else many or one + 's'}"


def rate(hits: int, count: int) -> Rate:
    """A rate with its interval; ValueError unless 0 <= hits <= count."""
    return Rate(hits, count, *wilson(hits, count))


def quartiles(values: Sequence[float]) -> Quartiles:
    """Quartiles by linear interpolation between ranks (numpy's and pandas' default)."""
    if not len(values):
        return Quartiles(0, None, None, None)
    import numpy as np

    lower, median, upper = (float(q) for q in np.percentile(np.asarray(values, dtype=float), (25, 50, 75)))
    return Quartiles(len(values), lower, median, upper)


def moments(times: Sequence[str]) -> list[float]:
    """ISO times as seconds since 1970; a date or a time without a zone is UTC. ValueError if one is no time."""
    import numpy as np

    if all(len(text) > 19 and text.endswith(("+00:00", "Z")) for text in times):
        try:
            # as the log writes them: numpy reads thousands at once
            stamps = np.array([text[:-1] if text[-1] == "Z" else text[:-6] for text in times], dtype="datetime64[us]")
            return [float(x) for x in (stamps.astype("int64") / 1e6).tolist()]
        except ValueError:
            pass
    found = (datetime.fromisoformat(text) for text in times)
    return [(time if time.tzinfo else time.replace(tzinfo=UTC)).timestamp() for time in found]


def fix_times(rows: Iterable[CaseRow], now: str) -> FixTimes:
    """Times to a proven fix as known at `now` (ISO time)."""
    mine = [row for row in rows if not row.imported]
    fixed = [row for row in mine if row.fixed is not None]
    rest = [row for row in mine if row.fixed is None]
    hours = _spans(fixed, [str(row.fixed) for row in fixed])
    unfixed = _spans(rest, [now if row.open or row.closed is None else row.closed for row in rest])
    minutes = [row.minutes for row in fixed if row.minutes is not None]
    return FixTimes(quartiles(hours), quartiles(minutes), _median_life(hours, unfixed), len(unfixed))


def _spans(rows: Sequence[CaseRow], ends: Sequence[str]) -> list[float]:
    """Hours from the beginning of each case to its end, at least 0."""
    begun = moments([row.begun for row in rows])
    return [max(end - start, 0.0) / 3600 for start, end in zip(begun, moments(ends), strict=True)]


def _median_life(seen: list[float], censored: list[float]) -> float | None:
    """The first time by which half or more have happened (Kaplan & Meier 1958); None if that is never reached."""
    if not seen:
        return None
    if not censored:
        ordered = sorted(seen)
        return ordered[(len(ordered) - 1) // 2]
    from scipy.stats import CensoredData, ecdf

    left = ecdf(CensoredData(uncensored=seen, right=censored)).sf
    for time, share in zip(left.quantiles, left.probabilities, strict=True):
        if share <= 0.5 + 1e-9:
            return float(time)
    return None


def first_fix(rows: Iterable[CaseRow]) -> Rate:
    """First-time-fix rate: of closed cases in which a remedy was tried, those whose first remedy was proven to help."""
    tried = [row.first_fix for row in rows if row.remedies and not row.open and not row.imported]
    return rate(sum(map(bool, tried)), len(tried))


@dataclass(slots=True)
class _Sum:
    cases: int = 0
    confirmed: int = 0
    minutes: float = 0.0
    blocks: float = 0.0
    money: float = 0.0


def costs(rows: Iterable[CaseRow], prices: Prices, title: Title) -> tuple[Totals, str, tuple[CauseCost, ...]]:
    """Totals, the figure of the Pareto order ('money', 'minutes' or 'cases'), and the causes in that order.

    Money = blocks x price of the material + minutes x price of an hour / 60, of closed cases."""
    sums: dict[str | None, _Sum] = {}
    count = {"cases": 0, "closed": 0, "imported": 0, "referred": 0, "untimed": 0}
    unpriced = 0.0
    a_minute = (prices.hour or 0.0) / 60
    for row in rows:
        count["cases"] += 1
        count["imported"] += row.imported
        if row.open:
            continue
        count["closed"] += 1
        count["referred"] += row.how == "referred"
        count["untimed"] += row.minutes is None
        of = sums.get(row.final_cause)
        if of is None:
            of = sums[row.final_cause] = _Sum()
        of.cases += 1
        of.confirmed += known_cause(row)
        of.minutes += row.minutes or 0.0
        of.money += (row.minutes or 0.0) * a_minute
        if row.blocks:
            of.blocks += row.blocks
            price = prices.blocks.get(row.material or "")
            if price is None:
                unpriced += row.blocks
            else:
                of.money += row.blocks * price
    whole = _Sum()
    for of in sums.values():
        whole.minutes, whole.blocks, whole.money = (
            whole.minutes + of.minutes,
            whole.blocks + of.blocks,
            whole.money + of.money,
        )
    money = whole.money if prices.given else None
    order = "money" if money else "minutes" if whole.minutes else "cases"
    ranked = sorted(sums.items(), key=lambda item: (-getattr(item[1], order), -item[1].cases, str(item[0])))
    base = sum(getattr(of, order) for of in sums.values())
    causes, so_far = [], 0.0
    for cause, of in ranked:
        part = getattr(of, order)
        so_far += part
        causes.append(
            CauseCost(
                cause,
                title(cause) if cause else "no cause named",
                of.cases,
                of.confirmed,
                of.minutes,
                of.blocks,
                of.money if prices.given else None,
                part / base if base else 0.0,
                min(so_far / base, 1.0) if base else 0.0,
            )
        )
    totals = Totals(
        count["cases"],
        count["closed"],
        count["cases"] - count["closed"],
        count["imported"],
        count["referred"],
        whole.minutes,
        whole.blocks,
        money,
        count["untimed"],
        unpriced if prices.given else 0.0,
    )
    return totals, order, tuple(causes)


def known_cause(row: CaseRow) -> bool:
    """The cause is known: confirmed by the technician, or corrected by the supervisor."""
    return row.final_cause is not None and (row.how == "confirmed" or row.reviewed == "corrected")


def counts(ids: Iterable[str | None], title: Title) -> tuple[Count, ...]:
    """How many of each, most first; None is 'not given'."""
    found = Counter(ids)
    ranked = sorted(found.items(), key=lambda item: (-item[1], item[0] is None, item[0] or ""))
    return tuple(Count(i, title(i) if i else "not given", n) for i, n in ranked)
