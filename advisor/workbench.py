"""Commands for authors that work with the whole knowledge: simulate, diff, graph, new cause."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from advisor.output import OK, PROBLEM, USAGE, Stop, put_json, say

__all__ = ["knowledge_diff", "knowledge_graph", "knowledge_new", "knowledge_simulate"]


def _progress(what: str) -> tuple[Any, Callable[[int, int], None] | None]:
    """A progress bar on a terminal's stderr, and what moves it."""
    if not sys.stderr.isatty():
        return None, None
    from rich.console import Console
    from rich.progress import Progress

    bar = Progress(console=Console(file=sys.stderr), transient=True)
    task = bar.add_task(what, total=None)

    def show(done: int, total: int) -> None:
        bar.update(task, completed=done, total=total)

    bar.start()
    return bar, show


def knowledge_simulate(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor.sensitivity import sensitivity
    from advisor.simulate import POLICIES, simulate

    if not 1 <= args.cases <= 100_000:
        raise Stop("--cases takes 1 to 100000", USAGE)
    if args.seed < 0:
        raise Stop("--seed takes a whole number that is not negative", USAGE)
    folder = Path(args.knowledge) if args.knowledge else None
    compiled = knowledge(folder, overlay=False)
    jobs = min(args.jobs or os.cpu_count() or 1, args.cases)
    bar, show = _progress("simulating")
    try:
        policies = POLICIES[:1] if args.planned_only else POLICIES
        result = simulate(compiled, args.cases, args.seed, jobs, folder, policies, show)
        if args.sensitivity:
            result["sensitivity"] = sensitivity(compiled, args.sensitivity, args.seed, jobs, folder, progress=show)
    finally:
        if bar is not None:
            bar.stop()
    if args.plot:
        _reliability(result, Path(args.plot))
    if args.format == "json":
        put_json(result)
    else:
        say(simulation_text(result))
    return PROBLEM if result["failed"] else OK


def _reliability(result: dict[str, Any], path: Path) -> None:
    """The reliability diagram (Murphy 1973) as an SVG file."""
    from advisor.calc.base import Curve, Plot
    from advisor.calc.picture import svg

    bins = result["reliability"]
    found = Curve("cases", [b["said"] for b in bins], [b["happened"] for b in bins], "dots")
    perfect = Curve("as said", [0.0, 1.0], [0.0, 1.0])
    try:
        svg(Plot("What was said, and what came true", "said", "share that came true", (found, perfect)), path)
    except OSError as error:
        raise Stop(f"{path} cannot be written: {error.strerror or error}") from None


def simulation_text(result: dict[str, Any]) -> str:
    """The figures of a simulation, to read."""
    kinds = {"one": "one cause", "two": "two causes", "more": "three and more", "none": "none of the known"}
    lines = [f"{result['cases']} invented cases drawn from the knowledge itself, seed {result['seed']}:"]
    for kind, row in result["right"].items():
        lines.append(f"  {kinds[kind]:<18} {row['count']:>5} cases: top-1 {row['top1']:.0%}, top-3 {row['top3']:.0%}")
    names = {
        "planned": "as planned",
        "checklist": "fixed checklist, then by probability",
        "likeliest": "most probable cause first, no checks",
    }
    lines.append("Minutes to a proven fix, referral counted in full (and for causes the knowledge holds):")
    for policy, row in result["minutes"].items():
        if row["mean"] is None:
            lines.append(f"  {names[policy]:<38} every case failed")
            continue
        error = f" +- {2 * row['error']:.0f}" if row["error"] is not None else ""
        known = f"{row['known']:.0f}, mended {row['mended']:.0%}" if row["known"] is not None else "none drawn"
        lines.append(f"  {names[policy]:<38} {row['mean']:.0f}{error} ({known}); {row['steps']:.1f} steps")
    part = result["optimum"]
    if part["problems"]:
        lines.append(
            f"Against the exact optimum on {part['problems']} parts of the knowledge (5 causes, 6 questions): "
            f"{part['mean_loss']:.1%} longer on average, worst {part['worst_loss']:.1%}; most probable cause first: {part['likeliest_first_loss']:.0%}"
        )
    if result["reliability"]:
        lines.append(f"Brier score {result['brier']:.4f}, expected calibration error {result['calibration_error']:.4f}")
        lines.append("  said        came true   forecasts")
    for b in result["reliability"]:
        lines.append(f"  {b['said']:6.1%}      {b['happened']:6.1%}      {b['count']:>6}")
    if result["mistaken"]:
        lines.append("Taken for another (true cause -> leading one, times):")
        lines += [f"  {m['true']} -> {m['taken_for']}  {m['count']}" for m in result["mistaken"]]
    if result.get("sensitivity"):
        lines.append("Links the next step hangs on most (moved to the next frequency class):")
        lines += [
            f"  {r['cause']} shows {r['shows']} ({r['seen']}, {r['evidence']}): {r['changed']:.0%} of next steps change, in play {r['in_play']} times"
            for r in result["sensitivity"]
        ]
    if result["failed"]:
        lines.append(f"FAILED: {len(result['failed'])}")
        lines += [f"  {f}" for f in result["failed"][:10]]
    return "\n".join(lines)


def knowledge_diff(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor.differ import change_data, changes, logged_events, worked_events
    from advisor.load import load_cases, shipped

    old, new = knowledge(args.old, overlay=False), knowledge(args.new, overlay=False)
    beside = Path(args.new).resolve().parent / "cases"
    folder = Path(args.cases) if args.cases else beside if beside.is_dir() else shipped("cases")
    cases = [(case.id, worked_events(case, old, new)) for case in load_cases(folder)]
    worked = len(cases)
    if args.log or args.logged:
        from advisor.casework import open_log

        log = open_log(args)
        cases += [(s.case, logged_events(e.event for e in log.entries(s.case))) for s in log.cases(limit=args.limit)]
    found = changes(old, new, cases)
    if args.format == "json":
        return put_json([change_data(c) for c in found])
    if not args.cases:
        say(f"Worked cases: {folder}")
    for change in found:
        what = (
            "another cause leads" if change.leader_changed else "another next step" if change.step_changed else "moved"
        )
        say(f"{change.case}: {what}")
        say("    before: " + ", ".join(f"{c} {p:.0%}" for c, p in change.before) + f"; next {change.step_before}")
        say("    after:  " + ", ".join(f"{c} {p:.0%}" for c, p in change.after) + f"; next {change.step_after}")
        for misfit in change.misfits:
            say(f"    does not fit one of them: {misfit}")
    leaders = sum(c.leader_changed for c in found)
    steps = sum(c.step_changed for c in found)
    say(
        f"{len(cases)} cases ({worked} worked, {len(cases) - worked} logged): {leaders} with another leading cause, {steps} with another next step"
    )
    return OK


def knowledge_graph(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor.drawing import draw_base, draw_symptom
    from advisor.issue import nearest

    kb = knowledge(args.knowledge, overlay=False).kb
    path = Path(args.svg)
    if args.symptom and args.symptom not in kb.symptoms:
        hint = nearest(args.symptom, kb.symptoms) or "see: advisor knowledge list symptoms"
        raise Stop(f"there is no symptom '{args.symptom}'; {hint}", USAGE)
    try:
        if args.symptom:
            draw_symptom(kb, args.symptom, path)
        else:
            draw_base(kb, path)
    except OSError as error:
        raise Stop(f"{path} cannot be written: {error.strerror or error}") from None
    say(f"Drawn: {path}")
    return OK


_CAUSE = """\
id: {id}
title: {title}
system: {system}
why: TODO two sentences of physics, cause to effect; if you cannot write them it is no cause yet
prior: {{per_hundred: 1, source: common-practice}}   # of 100 bad results, how many have it
shows:   # one line a symptom and a check outcome; 'advisor knowledge list symptoms' and 'list checks' have the ids
  - {{symptom: TODO, seen: frequent, because: TODO why it shows, source: common-practice}}
  - {{check: TODO, outcome: TODO, seen: very frequent, because: TODO why it shows, source: common-practice}}
  - {{check: TODO, outcome: TODO, seen: frequent, because: TODO why it shows, source: common-practice}}
remedies:
  - {{remedy: TODO, cures: very frequent, because: TODO why it cures, source: common-practice}}
"""
_EXAMPLES = """\
ranks:   # answers after which it must be among the first
  - because: the usual picture
    symptoms: [TODO]
    answers: {TODO: TODO}
    within: 1
quiet:   # a look-alike after which it must stay quiet, one for each close rival
  - because: TODO what the rival shows instead
    rival: TODO
    symptoms: [TODO]
    answers: {TODO: TODO}
    below: 0.2
"""


def knowledge_new(args: argparse.Namespace) -> int:
    import json
    import re

    from advisor.issue import nearest
    from advisor.load import load_knowledge, shipped

    folder = Path(args.knowledge) if args.knowledge else shipped("knowledge")
    kb = load_knowledge(folder, examples=False)
    ident = args.id.strip().lower()
    if not re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", ident) or len(ident) > 48:
        raise Stop(f"'{args.id[:50]}' is no id: small letters, figures and hyphens, such as collet-dirty", USAGE)
    systems = [s.id for s in kb.vocabulary.systems]
    if args.system not in systems:
        hint = nearest(args.system, systems) or "systems: " + ", ".join(systems)
        raise Stop(f"there is no system '{args.system}'; {hint}", USAGE)
    if ident in kb.causes:
        file, line, _ = kb.place("causes", ident)
        raise Stop(f"the cause '{ident}' is there already ({file}:{line})")
    place = folder / "causes" / args.system
    title = " ".join((args.title or ident.replace("-", " ").capitalize()).split())
    made: list[str] = []
    try:
        place.mkdir(parents=True, exist_ok=True)
        for name, text in (
            (f"{ident}.yaml", _CAUSE.format(id=ident, title=json.dumps(title, ensure_ascii=False), system=args.system)),
            (f"{ident}.cases.yaml", _EXAMPLES),
        ):
            with (place / name).open("x", encoding="utf-8") as file:
                file.write(text)
            made.append(str(place / name))
    except OSError as error:
        for half in made:
            Path(half).unlink()
        raise Stop(f"{error.filename or place} cannot be written: {error.strerror or error}") from None
    say("Made: " + ", ".join(made))
    rows = sorted(kb.causes.values(), key=lambda c: c.system != args.system)
    near = [c.id for c in rows if c.system == args.system][:3]
    if near:
        say("Neighbours to learn from: " + ", ".join(near))
    say("Fill in every TODO, add a worked case under cases/, then: advisor knowledge check " + str(folder))
    return OK
