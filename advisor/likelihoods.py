"""Knowledge -> distributions: how often each finding shows with a cause, and without any.

Reporting errors are folded in: a cause's abnormal outcome is noticed with probability 1 - miss, and a false alarm adds
to the background, so each answer is evidence about what was *reported*, never a certainty.
"""

from __future__ import annotations

from collections import defaultdict

from advisor.model import Cause, Check, Knowledge, Symptom

__all__ = ["background", "groups", "symptom_finding", "with_cause"]

_PREFIX = "symptom:"


def symptom_finding(symptom: str) -> str:
    """The finding's id of a symptom."""
    return _PREFIX + symptom


def background(kb: Knowledge, record: Check | Symptom) -> list[float]:
    """Distribution over a finding's levels (first = normal) when no linked cause is there; sums to 1."""
    share = kb.vocabulary.share
    if isinstance(record, Symptom):
        leak = share(record.background)
        return [1 - leak, leak]
    alarm = next(r.alarm for r in kb.vocabulary.reporting if r.kind == record.kind)
    tail = [share(o.background or "very rare") for o in record.outcomes[1:]]
    free = 1.0 - sum(tail)
    tail = [t + alarm * free / len(tail) for t in tail]
    return [1.0 - sum(tail), *tail]


def groups(kb: Knowledge, cause: Cause) -> list[dict[str, list[float]]]:
    """The cause's own draw of each linked finding: one mapping finding -> distribution for each group of links."""
    miss = {r.kind: r.miss for r in kb.vocabulary.reporting}
    found: dict[str, dict[str, list[float]]] = defaultdict(dict)
    for i, link in enumerate(cause.shows):
        q = kb.vocabulary.share(link.seen)
        name = link.group or f" {i}"
        if link.symptom:
            found[name][symptom_finding(link.symptom)] = [1 - q, q]
            continue
        check = kb.checks[str(link.check)]
        noticed = q * (1.0 - miss[check.kind])
        ids = [o.id for o in check.outcomes]
        # Several outcomes of one check make one distribution, whatever group the first of them stands in.
        home = next((g for g, rows in found.items() if check.id in rows), name)
        row = found[home].setdefault(check.id, [1.0, *[0.0] * (len(ids) - 1)])
        row[ids.index(str(link.outcome))] += noticed
        row[0] -= noticed
    return [{f: [max(r[0], 0.0), *r[1:]] for f, r in rows.items()} for rows in found.values()]


def with_cause(kb: Knowledge, cause: Cause) -> dict[str, list[float]]:
    """Distribution of every finding the cause is linked to when it is the only one there: the higher of its draw and the
    background's (noisy-MAX)."""
    out: dict[str, list[float]] = {}
    for rows in groups(kb, cause):
        for finding, row in rows.items():
            record = kb.symptoms[finding.removeprefix(_PREFIX)] if finding.startswith(_PREFIX) else kb.checks[finding]
            cum_row = cum_leak = before = 0.0
            joint = []
            for q, leak in zip(row, background(kb, record), strict=True):
                cum_row, cum_leak = cum_row + q, cum_leak + leak
                joint.append(cum_row * cum_leak - before)
                before = cum_row * cum_leak
            out[finding] = joint
    return out
