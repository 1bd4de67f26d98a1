"""What learning from a shop's own cases is worth: `python tests/benchmarks/learn.py`. Prints figures; nothing is asserted.

An invented shop differs from the shipped knowledge: some causes are eight times as common, some show themselves in a
check more or less often. Its cases are diagnosed with the shipped knowledge and signed; `advisor.learning.adopt.learn` makes of
them what `advisor learn` would. Then fresh cases of the shop go through whole sessions before and after adopting: the
mean minutes to a proven fix (referral counted in full), the differences case by case, and how often the leading cause is
there when the first remedy comes up. `--true` adds a program that knows the shop's true numbers: the most there is to
gain. `--same` does it for a shop that is as the knowledge says.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does: see advisor/cli.py

import numpy as np  # noqa: E402
from invented_shop import case_of, changed  # noqa: E402

from advisor.compiled import Compiled  # noqa: E402
from advisor.learning.adopt import changes, learn  # noqa: E402
from advisor.learning.estimate import LearnCase  # noqa: E402
from advisor.learning.overlaid import with_numbers  # noqa: E402
from advisor.learning.updates import link_prior, numbers_of  # noqa: E402
from advisor.load import load_knowledge, shipped  # noqa: E402
from advisor.model import Knowledge  # noqa: E402
from advisor.simulate import Outcome, run_world  # noqa: E402
from advisor.worlds import draw  # noqa: E402

OTHER = {"very frequent": "occasional", "frequent": "very rare", "occasional": "frequent"}
PROGRAMS: dict[str, Compiled] = {}


def invented(kb: Knowledge, seed: int, common: int = 4) -> Knowledge:
    """A shop where `common` causes of middling rate are eight times as common, and every second of their links to checks
    has another word; the same for the same seed."""
    rng = random.Random(seed)
    middling = sorted(c.id for c in kb.causes.values() if 0.8 <= c.prior.per_hundred <= 2)
    chosen = rng.sample(middling, common)
    single = sorted(
        (c, str(x.check), x.seen)
        for c in chosen
        for x in kb.causes[c].shows
        if x.check and x.seen in OTHER and link_prior(kb, c, x.check)
        if sum(y.check == x.check for y in kb.causes[c].shows) == 1
    )
    moved = {(c, k): OTHER[seen] for c, k, seen in single[::2]}
    return changed(kb, dict.fromkeys(chosen, 8.0), moved)


def start(seed: int, same: bool) -> None:
    """Each process: the knowledge, and the shop."""
    kb = load_knowledge(shipped("knowledge"), examples=False)
    PROGRAMS["before"] = Compiled(kb)
    PROGRAMS["true"] = PROGRAMS["before"] if same else Compiled(invented(kb, seed))


def sign(number: int) -> LearnCase:
    """One signed case of the shop."""
    return case_of(PROGRAMS["before"], draw(PROGRAMS["true"], 10_000_019 + number), number)


def compare(task: tuple[int, Knowledge, list[str]]) -> list[Outcome]:
    """A fresh case under each of the named programs, `after` being the learned knowledge."""
    number, learned, names = task
    if "after" not in PROGRAMS:
        PROGRAMS["after"] = Compiled(learned)
    world = draw(PROGRAMS["true"], 20_000_003 + number)
    return [run_world(PROGRAMS[name], world, "planned") for name in names]


def main() -> None:
    """Invent, learn, compare, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cases", type=int, default=400, help="signed cases to learn from")
    parser.add_argument("--fresh", type=int, default=300, help="fresh cases to compare on")
    parser.add_argument("--seed", type=int, default=1, help="seed of the shop")
    parser.add_argument("--same", action="store_true", help="a shop that is as the knowledge says")
    parser.add_argument("--true", action="store_true", help="also a program that knows the shop's true numbers")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    args = parser.parse_args()
    start(args.seed, args.same)
    base, kb = PROGRAMS["before"], PROGRAMS["before"].kb
    begin = time.perf_counter()
    with tempfile.TemporaryDirectory() as home:
        os.environ["ADVISOR_HOME"] = home
        with ProcessPoolExecutor(args.jobs, get_context("spawn"), start, (args.seed, args.same)) as pool:
            cases = list(pool.map(sign, range(args.cases), chunksize=4))
            print(f"{args.cases} cases signed in {time.perf_counter() - begin:.0f} s")
            begin = time.perf_counter()
            learned = learn(base, cases)
            print(f"learned in {time.perf_counter() - begin:.1f} s; {learned.held} cases held out; log loss in nats:")
            for t in learned.trials:
                print(
                    f"  {t.part:<6} {t.before:.3f} -> {t.after:.3f}, gain {t.gain:+.3f}, standard error {t.error:.3f}"
                )
            if learned.best is None:
                print("Nothing improves: nothing is adopted.")
                return
            truth = PROGRAMS["true"].kb
            for c in changes(kb, learned.found):
                true = truth.causes[c.cause].prior.per_hundred if c.check is None and c.cause in truth.causes else None
                if c.check:
                    true = sum(
                        truth.vocabulary.share(x.seen) for x in truth.causes[c.cause].shows if x.check == c.check
                    )
                s = c.share
                print(
                    f"  {c.cause:<32} {c.check or 'rate':<24} {s.old:.3g} -> {s.new:.3g} ({s.low:.3g} to {s.high:.3g}), "
                    f"{c.cases:.3g} of {c.of:.4g}; true {true if true is None else round(true, 3)}"
                )
            names = ["before", "after", *(["true"] if args.true else [])]
            after = with_numbers(kb, numbers_of(kb, learned.found), "bench")
            found = list(pool.map(compare, [(i, after, names) for i in range(args.fresh)], chunksize=4))
    minutes = np.array([[o.minutes for o in row] for row in found])
    top1 = np.array([[o.top1 for o in row] for row in found], dtype=float)
    steps = np.array([[o.steps for o in row] for row in found], dtype=float)
    print(f"\n| {args.fresh} fresh cases | {' | '.join(names)} |\n| --- |" + " --- |" * len(names))
    for what, table, form in (
        ("minutes to a proven fix", minutes, ".1f"),
        ("top-1", top1, ".3f"),
        ("steps", steps, ".1f"),
    ):
        print(f"| {what} | " + " | ".join(format(v, form) for v in table.mean(axis=0)) + " |")
    for what, table in (("minutes saved", minutes), ("top-1 gained", -top1)):
        saved = table[:, 0] - table[:, 1]
        print(f"{what} a case: {saved.mean():.3g}, standard error {saved.std(ddof=1) / len(saved) ** 0.5:.2g}")


if __name__ == "__main__":
    main()
