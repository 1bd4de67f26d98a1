"""Speed figures, on demand: `python tests/benchmarks/run.py`. Prints a table; nothing is asserted.

Each figure stands beside its aim; the exact posterior also beside pyAgrum's LazyPropagation in the same run.
"""

from __future__ import annotations

import os
import pty
import random
import select
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does: see advisor/cli.py

import advisor  # noqa: E402
from advisor.assess import Assessment  # noqa: E402
from advisor.belief import Network  # noqa: E402
from advisor.load import load_cases, shipped  # noqa: E402
from advisor.planner import CheckOption, Repair, plan  # noqa: E402
from advisor.scripted import answer_event  # noqa: E402
from advisor.session import Session  # noqa: E402

Row = tuple[str, str, str]


def timed(run: Callable[[], Any]) -> float:
    """Seconds of one call."""
    begin = time.perf_counter()
    run()
    return time.perf_counter() - begin


def percentile(values: list[float], share: float) -> float:
    """The value below which that share lies."""
    return sorted(values)[min(int(len(values) * share), len(values) - 1)]


def turn(session: Session, log: Any, case: str, seq: int, event: dict[str, Any]) -> None:
    """All that happens between an answer and the next question, but the drawing."""
    session.take(event)
    log.append(case, event, seq)
    view = Assessment(session.compiled, session.state)
    for step in view.next:
        view.step_reason(step)
    view.ranking  # noqa: B018


def answers(log_folder: Path) -> list[Row]:
    """Answer to next question on the shipped knowledge: fold the event, write it, rules, ranking, plan and reasons."""
    from advisor.caselog import CaseLog

    compiled = advisor.knowledge()
    log = CaseLog(log_folder / "bench.db")
    times = []
    Assessment(compiled, Session(compiled).state).verdict  # noqa: B018
    for case in load_cases(shipped("cases")):
        session = Session(compiled)
        name = log.new_case({"type": "start"})
        events = [{"type": "symptom", "symptom": s, "present": True} for s in case.symptoms]
        events += [answer_event(c, v, compiled) for c, v in case.answers.items()]
        for seq, event in enumerate(events, start=1):
            times.append(timed(partial(turn, session, log, name, seq, event)))
    return [
        ("answer to next question, median", f"{statistics.median(times) * 1e3:.0f} ms", ""),
        ("answer to next question, 95th percentile", f"{percentile(times, 0.95) * 1e3:.0f} ms", "50 ms"),
    ]


def start(home: Path) -> list[Row]:
    """Start to the first prompt in a pseudo-terminal, `--version`, and the peak memory of a scripted diagnosis."""
    environment = {**os.environ, "ADVISOR_HOME": str(home), "TERM": "xterm"}

    def prompt() -> float:
        master, slave = pty.openpty()
        begin = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-m", "advisor"], stdin=slave, stdout=slave, stderr=slave, cwd=ROOT, env=environment
        )
        seen = b""
        while b"What went wrong?" not in seen and time.perf_counter() - begin < 20:
            if select.select([master], [], [], 0.05)[0]:
                seen += os.read(master, 4096)
        took = time.perf_counter() - begin
        process.kill()
        process.wait()
        os.close(master)
        os.close(slave)
        return took

    first = prompt()
    later = [prompt() for _ in range(7)]
    run = [sys.executable, "-m", "advisor", "--version"]
    version = [timed(lambda: subprocess.run(run, cwd=ROOT, env=environment, capture_output=True)) for _ in range(7)]
    answers_file = home / "a.yaml"
    answers_file.write_text(
        "symptoms: [margin-chipped, air-drops]\nanswers: {runout-shank: 25 um, air-static: 0.5 MPa}\n"
    )
    code = (
        "import resource, sys; from advisor.cli import main; "
        f"main(['diagnose', '--answers', {str(answers_file)!r}, '--format', 'json']); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=environment, capture_output=True, text=True)
    memory = int(done.stderr.strip().splitlines()[-1]) / 1024
    return [
        ("start to first question, first run (no cache yet)", f"{first:.2f} s", ""),
        ("start to first question, median of 7", f"{statistics.median(later):.2f} s", "0.8 s"),
        ("advisor --version, median of 7", f"{statistics.median(version):.2f} s", "0.3 s"),
        ("peak memory of a diagnosis", f"{memory:.0f} MB", "150 MB"),
    ]


def layered(causes: int, findings: int, parents: int, rng: random.Random) -> tuple[Network, list[Any]]:
    """A random two-level noisy-OR network; also its plain description."""
    net = Network({f"c{i}": rng.uniform(0.005, 0.05) for i in range(causes)})
    plain = []
    for f in range(findings):
        chosen = rng.sample(range(causes), parents)
        rows = {f"c{c}": rng.uniform(0.2, 0.9) for c in chosen}
        leak = rng.uniform(0.005, 0.03)
        net.add_finding(f"f{f}", ["no", "yes"], [1 - leak, leak], {c: [1 - q, q] for c, q in rows.items()})
        plain.append((f"f{f}", leak, rows))
    return net, plain


def posterior() -> list[Row]:
    """40 causes x 80 findings, 4 causes each, 12 observed of which 4 positive; against LazyPropagation."""
    net, plain = layered(40, 80, 4, random.Random(7))
    evidence = {f"f{i}": ([0, 1] if i < 4 else [1, 0]) for i in range(12)}
    net.posterior(evidence)
    ours = statistics.median(timed(lambda: net.posterior(evidence)) for _ in range(50))
    rows = [("exact posterior, 40 causes x 80 findings", f"{ours * 1e3:.2f} ms", "1 ms")]
    try:
        import pyagrum as gum
    except ImportError:
        return [*rows, ("pyAgrum LazyPropagation", "not installed", "")]
    bn = gum.BayesNet()
    for i, cause in enumerate(net.causes):
        bn.add(gum.LabelizedVariable(cause, "", 2))
        bn.cpt(cause).fillWith([1 - float(net.prior[i]), float(net.prior[i])])
    for name, leak, links in plain:
        bn.addNoisyORNet(gum.LabelizedVariable(name, "", 2), leak)
        for cause, q in links.items():
            bn.addWeightedArc(cause, name, q)

    result: dict[str, float] = {}

    def lazy() -> None:
        engine = gum.LazyPropagation(bn)
        engine.setEvidence({k: v.index(1) for k, v in evidence.items()})
        engine.makeInference()
        result.update({c: float(engine.posterior(c)[1]) for c in net.causes})

    took = timed(lazy)
    found = net.posterior(evidence).cause
    gap = max(abs(found[c] - result[c]) for c in net.causes)
    return [
        *rows,
        ("the same by pyAgrum LazyPropagation", f"{took:.2f} s, {took / ours:,.0f} times as long", "1,000 times"),
        ("largest difference of the two", f"{gap:.1e}", "1e-9"),
    ]


def large() -> list[Row]:
    """1,000 causes x 2,000 checks with 12 positive findings: posterior and planner for one answer."""
    rng = random.Random(3)
    net, _ = layered(1000, 2000, 4, rng)
    evidence = {f"f{i}": [0, 1] for i in range(12)} | {f"f{i}": [1, 0] for i in range(12, 24)}
    checks = [CheckOption(f"f{i}", rng.uniform(0.5, 8)) for i in range(24, 2000)]
    repairs = [Repair(f"r{i}", rng.uniform(5, 60), {f"c{i}": 0.9}) for i in range(1000)]

    def answer() -> None:
        post = net.posterior(evidence)
        plan(net.configurations(evidence, post), checks, repairs, refer_minutes=480)

    answer()
    exact = statistics.median(timed(lambda: net.posterior(evidence)) for _ in range(5))
    whole = statistics.median(timed(answer) for _ in range(5))
    return [
        ("exact posterior, 1,000 causes, 12 positive findings", f"{exact * 1e3:.0f} ms", ""),
        ("an answer at 1,000 causes x 2,000 checks, planner included", f"{whole:.2f} s", "0.25 s"),
    ]


def main() -> None:
    """Run all and print the table."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["ADVISOR_HOME"] = folder
        rows = [*start(Path(folder)), *answers(Path(folder)), *posterior(), *large()]
    width = max(len(r[0]) for r in rows)
    print(f"| {'what':<{width}} | measured | aim |\n| {'-' * width} | --- | --- |")
    for what, measured, aim in rows:
        print(f"| {what:<{width}} | {measured} | {aim} |")


if __name__ == "__main__":
    main()
