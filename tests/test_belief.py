"""The belief model against brute force, against an independent library, and against published posteriors."""

from __future__ import annotations

import itertools
import math
import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.belief import EvidenceError, Network, Tried

Rows = dict[str, dict[str, list[float]]]


def random_network(
    rng: random.Random, causes: int = 4, findings: int = 4, groups: bool = True
) -> tuple[Network, list[Any]]:
    """A small random network and its plain description: [(cause, prior, [(share, {finding: row})])]."""
    priors = {f"c{i}": rng.uniform(0.02, 0.5) for i in range(causes)}
    net = Network(priors)
    sizes = [rng.choice([2, 2, 3, 4]) for _ in range(findings)]
    leaks = []
    for f, k in enumerate(sizes):
        tail = [rng.uniform(0.01, 0.15) for _ in range(k - 1)]
        leaks.append([1 - sum(tail), *tail])
        net.add_finding(f"f{f}", [str(i) for i in range(k)], leaks[-1])

    def row(k: int) -> list[float]:
        parts = [rng.random() + 0.02 for _ in range(k)]
        return [p / sum(parts) for p in parts]

    plain = []
    for cause, prior in priors.items():
        chosen = rng.sample(range(findings), rng.randint(1, findings))
        blocks: list[dict[str, list[float]]] = []
        if groups and len(chosen) >= 2 and rng.random() < 0.6:
            blocks.append({f"f{f}": row(sizes[f]) for f in chosen[:2]})
            chosen = chosen[2:]
        blocks += [{f"f{f}": row(sizes[f])} for f in chosen]
        for block in blocks:
            net.link(cause, block)
        plain.append((cause, prior, blocks))
    return net, [plain, leaks, sizes]


def brute_force(
    described: list[Any], evidence: dict[str, list[float]], failed: list[dict[str, float]] | None = None
) -> dict[str, float]:
    """Posterior by summing every set of causes, every mode of every group and every level: written from the definition."""
    plain, leaks, sizes = described
    total, joint, none = 0.0, {c: 0.0 for c, _, _ in plain}, 0.0
    for on in itertools.product([0, 1], repeat=len(plain)):
        weight = math.prod(p if o else 1 - p for o, (_, p, _) in zip(on, plain, strict=True))
        active = [(c, b) for o, (c, _, b) in zip(on, plain, strict=True) if o]
        blocks = [b for _, bs in active for b in bs]
        like = 0.0
        modes = [
            [(1.0, b)]
            if len(b) == 1
            else [
                (
                    max(1 - r[0] for r in b.values()),
                    {
                        f: [1 - sum(r[1:]) / max(1 - q[0] for q in b.values())]
                        + [x / max(1 - q[0] for q in b.values()) for x in r[1:]]
                        for f, r in b.items()
                    },
                ),
                (1 - max(1 - r[0] for r in b.values()), {}),
            ]
            for b in blocks
        ]
        for mode in itertools.product(*modes):
            chance = math.prod(m[0] for m in mode)
            draws = [m[1] for m in mode]
            for name, lam in evidence.items():
                k = int(name[1:])
                rows = [leaks[k], *[d[name] for d in draws if name in d]]
                part = 0.0
                for levels in itertools.product(range(sizes[k]), repeat=len(rows)):
                    part += math.prod(r[lv] for r, lv in zip(rows, levels, strict=True)) * lam[max(levels)]
                chance *= part
            like += chance
        for cures in failed or []:
            names = [c for c, _ in active]
            if names:
                like *= 1 - math.prod(cures.get(c, 0.0) for c in names)
        total += weight * like
        if not active:
            none += weight * like
        for c, _ in active:
            joint[c] += weight * like
    return {**{c: v / total for c, v in joint.items()}, "none": none / total}


def random_evidence(rng: random.Random, sizes: list[int], soft: bool) -> dict[str, list[float]]:
    out = {}
    for f, k in enumerate(sizes):
        if rng.random() < 0.2:
            continue
        if soft and rng.random() < 0.5:
            out[f"f{f}"] = [rng.random() for _ in range(k)]
        else:
            level = rng.randrange(k)
            out[f"f{f}"] = [1.0 if i == level else 0.0 for i in range(k)]
    return out


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**9))
def test_equals_brute_force_with_groups_levels_and_soft_readings(seed: int) -> None:
    rng = random.Random(seed)
    net, described = random_network(rng)
    evidence = random_evidence(rng, described[2], soft=True)
    expected = brute_force(described, evidence)
    found = net.posterior(evidence)
    for cause, p in found.cause.items():
        assert p == pytest.approx(expected[cause], abs=1e-9)
    assert found.none == pytest.approx(expected["none"], abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**9))
def test_remedies_that_did_not_help_equal_brute_force(seed: int) -> None:
    rng = random.Random(seed)
    net, described = random_network(rng)
    evidence = random_evidence(rng, described[2], soft=False)
    failed = [{c: rng.uniform(0.3, 0.97) for c in rng.sample(sorted(net.causes), 2)} for _ in range(rng.randint(1, 3))]
    expected = brute_force(described, evidence, failed)
    found = net.posterior(evidence, tried=[Tried(f) for f in failed])
    for cause, p in found.cause.items():
        assert p == pytest.approx(expected[cause], abs=1e-9)
    assert found.none == pytest.approx(expected["none"], abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**9))
def test_leading_sets_carry_the_exact_weights_when_nothing_is_cut(seed: int) -> None:
    rng = random.Random(seed)
    net, described = random_network(rng, causes=3)
    evidence = random_evidence(rng, described[2], soft=True)
    failed = [Tried({"c0": 0.8, "c1": 0.5})]
    post = net.posterior(evidence, tried=failed)
    rows = net.configurations(evidence, post, tried=failed, mass=1.0, limit=10_000)
    for i, cause in enumerate(net.causes):
        total = sum(w for w, s in zip(rows.weight, rows.sets, strict=True) if i in s)
        assert total == pytest.approx(post.cause[cause], abs=1e-9)


def test_noisy_or_published_numbers() -> None:
    """Quickscore's setting (Heckerman 1989); the four posteriors worked by hand with exact fractions."""
    net = Network({"a": 0.1, "b": 0.2})
    net.add_finding("f0", ["no", "yes"], [0.99, 0.01], {"a": [0.2, 0.8], "b": [0.5, 0.5]})
    net.add_finding("f1", ["no", "yes"], [0.98, 0.02], {"a": [0.7, 0.3], "b": [0.4, 0.6]})
    yes, no = [0, 1], [1, 0]
    for evidence, a, b, p in (
        ({"f0": yes}, 0.455846, 0.604171, 0.18028),
        ({"f0": yes, "f1": no}, 0.534205, 0.442757, 0.0916472),
        ({"f0": yes, "f1": yes}, 0.374823, 0.771075, 0.0886328),
        ({"f0": no, "f1": no}, 0.0153173, 0.0476190, 0.7448808),
    ):
        post = net.posterior(evidence)
        assert post.cause["a"] == pytest.approx(a, abs=1e-6)
        assert post.cause["b"] == pytest.approx(b, abs=1e-6)
        assert math.exp(post.log_evidence) == pytest.approx(p, abs=1e-6)


def test_chest_clinic_published_posteriors() -> None:
    """Lauritzen & Spiegelhalter 1988, JRSS B 50:157: a visit to Asia and dyspnoea give tuberculosis 0.0878,
    lung cancer 0.0995 and bronchitis 0.8114 (the paper rounds to 0.09, 0.10, 0.81).

    The clinic's causes depend on smoking, so its eight states of (t, l, b) enter as exclusive hypotheses.
    """
    states = list(itertools.product([0, 1], repeat=3))

    def prior(t: int, lung: int, b: int) -> float:
        pt = 0.05 if t else 0.95
        return sum(
            0.5 * pt * (pl if lung else 1 - pl) * (pb if b else 1 - pb) for pl, pb in ((0.10, 0.60), (0.01, 0.30))
        )

    dyspnoea = {(1, 1): 0.9, (1, 0): 0.8, (0, 1): 0.7, (0, 0): 0.1}
    net = Network({str(s): prior(*s) for s in states}, single_fault=True)
    net.add_finding(
        "d",
        ["no", "yes"],
        [1, 0],
        {str(s): [1 - dyspnoea[s[2], s[0] | s[1]], dyspnoea[s[2], s[0] | s[1]]] for s in states},
    )
    post = net.posterior({"d": [0, 1]})
    t, lung, b = (sum(post.cause[str(s)] for s in states if s[i]) for i in range(3))
    assert (t, lung, b) == pytest.approx((0.087751, 0.09952515, 0.8114021), abs=1e-6)
    assert (round(t, 2), round(lung, 2), round(b, 2)) == (0.09, 0.10, 0.81)


@pytest.mark.parametrize("seed", range(12))
def test_equals_pyagrum(seed: int) -> None:
    """pyAgrum's LazyPropagation on the same noisy-OR network: an independent implementation."""
    gum = pytest.importorskip("pyagrum")
    rng = random.Random(seed)
    net, described = random_network(rng, causes=6, findings=6, groups=False)
    plain, leaks, sizes = described
    bn = gum.BayesNet()
    for cause, prior, _ in plain:
        node = bn.add(gum.LabelizedVariable(cause, "", 2))
        bn.cpt(node).fillWith([1 - prior, prior])
    for f, k in enumerate(sizes):
        parents = [(c, bs) for c, _, blocks in plain for bs in blocks if f"f{f}" in bs]
        bn.add(gum.LabelizedVariable(f"f{f}", "", k))
        for c, _ in parents:
            bn.addArc(c, f"f{f}")
        for on in itertools.product([0, 1], repeat=len(parents)):
            cum = np.cumsum(leaks[f])
            for o, (_, bs) in zip(on, parents, strict=True):
                if o:
                    cum = cum * np.cumsum(bs[f"f{f}"])
            bn.cpt(f"f{f}")[dict(zip([c for c, _ in parents], on, strict=True))] = np.diff(cum, prepend=0.0).tolist()
    evidence = random_evidence(rng, sizes, soft=True)
    engine = gum.LazyPropagation(bn)
    engine.setEvidence(evidence)
    found = net.posterior(evidence)
    for cause in net.causes:
        assert found.cause[cause] == pytest.approx(float(engine.posterior(cause)[1]), abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**9))
def test_order_of_findings_does_not_matter_and_flat_evidence_says_nothing(seed: int) -> None:
    rng = random.Random(seed)
    net, described = random_network(rng)
    evidence = random_evidence(rng, described[2], soft=True)
    shuffled = dict(sorted(evidence.items(), key=lambda _: rng.random()))
    flat = {f"f{f}": [0.3] * k for f, k in enumerate(described[2]) if f"f{f}" not in evidence}
    base = net.posterior(evidence)
    for other in (net.posterior(shuffled), net.posterior({**evidence, **flat})):
        for cause in net.causes:
            assert other.cause[cause] == pytest.approx(base.cause[cause], abs=1e-12)


def test_twelve_positive_findings_lose_no_digits() -> None:
    """Inclusion-exclusion would cancel here; an exact sum over all 2^10 sets does not."""
    rng = random.Random(5)
    causes, findings = 10, 12
    priors = {f"c{i}": 0.01 for i in range(causes)}
    net = Network(priors)
    q = {(c, f): rng.uniform(0.05, 0.9) if rng.random() < 0.5 else 0.0 for c in range(causes) for f in range(findings)}
    for f in range(findings):
        net.add_finding(
            f"f{f}",
            ["no", "yes"],
            [0.9999, 0.0001],
            {f"c{c}": [1 - q[c, f], q[c, f]] for c in range(causes) if q[c, f]},
        )
    total, joint = 0.0, [0.0] * causes
    for on in itertools.product([0, 1], repeat=causes):
        w = math.prod(0.01 if o else 0.99 for o in on)
        for f in range(findings):
            w *= 1 - 0.9999 * math.prod(1 - q[c, f] for c in range(causes) if on[c])
        total += w
        for c in range(causes):
            joint[c] += w * on[c]
    post = net.posterior({f"f{f}": [0, 1] for f in range(findings)})
    for c in range(causes):
        assert post.cause[f"c{c}"] == pytest.approx(joint[c] / total, rel=1e-9)


def test_bad_evidence_is_refused_with_a_reason() -> None:
    net = Network({"a": 0.1})
    net.add_finding("f", ["no", "yes"], [0.9, 0.1])
    with pytest.raises(EvidenceError, match="no finding 'g'"):
        net.posterior({"g": [1, 0]})
    with pytest.raises(EvidenceError, match="needs 2 weights"):
        net.posterior({"f": [0, 0]})
    with pytest.raises(ValueError, match="sum to 1"):
        net.add_finding("h", ["no", "yes"], [0.9, 0.2])
    with pytest.raises(ValueError, match="0 to 1"):
        Network({"a": 1.5})
