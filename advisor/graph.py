"""The graph of symptoms, causes and checks.

A cause points to the symptoms and check outcomes it shows. Two causes that show the same symptom are rivals: given the
complaint both are in question, and what speaks for one speaks against the other ("explaining away"). A check is worth
asking when it parts rivals, that is when their likelihoods of some outcome differ by a good factor. Rivals that no check
parts are one cause to the technician, unless a common remedy mends both.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import TYPE_CHECKING

from advisor.likelihoods import background, with_cause
from advisor.model import Knowledge

if TYPE_CHECKING:
    import networkx as nx

__all__ = ["cause_graph", "inseparable", "rivals"]


def cause_graph(kb: Knowledge) -> nx.MultiDiGraph:
    """Directed graph: cause -> symptom, cause -> check (an edge for each outcome), cause -> remedy.

    Nodes are (kind, id). Every symptom and every cause is there, a check or a remedy only when a cause names it.
    """
    import networkx as nx

    graph: nx.MultiDiGraph = nx.MultiDiGraph()
    graph.add_nodes_from(("symptom", symptom) for symptom in kb.symptoms)
    for cause in kb.causes.values():
        node = ("cause", cause.id)
        graph.add_node(node)
        for link in cause.shows:
            target = ("symptom", link.symptom) if link.symptom else ("check", link.check)
            graph.add_edge(node, target, outcome=link.outcome, seen=link.seen)
        for cure in cause.remedies:
            graph.add_edge(node, ("remedy", cure.remedy), seen=cure.cures)
    return graph


def rivals(kb: Knowledge) -> Iterator[tuple[str, str]]:
    """Pairs of causes that share a symptom, sorted."""
    shown = {c.id: {link.symptom for link in c.shows if link.symptom} for c in kb.causes.values()}
    for first, second in combinations(sorted(shown), 2):
        if shown[first] & shown[second]:
            yield first, second


def inseparable(kb: Knowledge, ratio: float) -> Iterator[tuple[str, str, float]]:
    """Rivals that no check parts by a likelihood ratio of `ratio` or more, with the best ratio there is."""
    likely = {
        c.id: {f: row for f, row in with_cause(kb, c).items() if not f.startswith("symptom:")}
        for c in kb.causes.values()
    }
    leaks = {c.id: background(kb, c) for c in kb.checks.values()}
    for first, second in rivals(kb):
        best = 1.0
        for finding in likely[first].keys() | likely[second].keys():
            a = likely[first].get(finding, leaks[finding])
            b = likely[second].get(finding, leaks[finding])
            for p, q in zip(a, b, strict=True):
                if max(p, q) >= 0.1:
                    best = max(best, p / max(q, 1e-9), q / max(p, 1e-9))
        if best < ratio:
            yield first, second, best
