"""The command `advisor calc`: list the calculations, or run one from options, from prompts, or from its example."""

from __future__ import annotations

import argparse
import re
import shlex
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from advisor.calc import catalogue
from advisor.calc.base import CalcError, CalcErrors, Calculation
from advisor.calc.run import Run, carry_out, run_data
from advisor.calctalk import CalcTalk, choose, listing
from advisor.output import OK, USAGE, Stop, columns, put_json, say, table
from advisor.screen import Glyphs, plain

if TYPE_CHECKING:
    from advisor.model import Knowledge

__all__ = ["calc"]


def calc(argv: Sequence[str]) -> int:
    """Run `advisor calc` with its own arguments."""
    names = [a for a in argv[:1] if not a.startswith("-")]
    if not names:
        return _list(argv)
    calcs = catalogue()
    found = choose(names[0], calcs)
    if len(found) == 1:
        return _run(found[0], argv[1:])
    if found:
        return _list(argv[1:], found)
    from advisor.issue import nearest

    raise Stop(
        f"There is no calculation '{names[0][:40]}'; {nearest(names[0], calcs) or 'all of them: advisor calc'}", USAGE
    )


def _list(argv: Sequence[str], calcs: list[Calculation] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="advisor calc",
        usage="advisor calc [NAME] [--INPUT VALUE ...] [--format json]",
        description="Bench calculations: from readings to a verdict, with formula, doubt, limit and source. Without NAME: list.",
        epilog="advisor calc NAME asks for what is missing; advisor calc NAME --help tells its inputs; --example runs one.",
    )
    parser.add_argument("--format", choices=("text", "json"), default="text", help="output format (default: text)")
    args = parser.parse_args(list(argv))
    shown = calcs or list(catalogue().values())
    if args.format == "json":
        return put_json([_described(c) for c in shown])
    if sys.stdout.isatty():
        say(plain(listing(shown, columns(110))))
        if len(shown) > 16:
            say("Those of a subject with their questions: advisor calc air")
    else:
        table(("name", "question it answers", "subject"), [(c.id, c.answers, c.subject) for c in shown])
    say("Run one: advisor calc NAME (it asks for the readings); see one: advisor calc NAME --example")
    return OK


def _described(calc: Calculation) -> dict[str, Any]:
    return {
        "name": calc.id,
        "title": calc.title,
        "subject": calc.subject,
        "answers": calc.answers,
        "inputs": {
            i.option: {"ask": i.ask, "unit": i.unit, "range": i.range_text, "required": i.required} for i in calc.inputs
        },
        "figures": {f.id: {"label": f.label, "unit": f.unit} for f in calc.figures},
        "classes": {c.id: c.label for c in calc.classes},
        "sources": list(calc.sources),
    }


def _parser(calc: Calculation) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=f"advisor calc {calc.id}",
        description=f"{calc.title}. {calc.answers}",
        epilog="A value may carry its unit and instrument: '5.5 bar @test-gauge'. What is missing is asked for at a terminal.",
        allow_abbrev=False,
    )
    readings = parser.add_argument_group("readings")
    for spec in calc.inputs:
        default = f"; usual: {spec.default}" if spec.default else "; from the mill's papers" if spec.profile else ""
        readings.add_argument(
            f"--{spec.option}",
            action="append" if spec.columns else "store",
            metavar="LINE" if spec.columns else "WORD" if spec.choices else "VALUE",
            help=f"{spec.ask} ({spec.range_text}{'; may be left out' if spec.optional else default})".replace(
                "%", "%%"
            ),
        )
    parser.add_argument(
        "--mill", metavar="NAME", help="mill whose papers give the usual values (default: the last one used)"
    )
    parser.add_argument("--format", choices=("text", "json"), default="text", help="output format (default: text)")
    parser.add_argument(
        "--plot", nargs="?", const="-", metavar="FILE.svg", help="draw the curve: here, or as an SVG file"
    )
    parser.add_argument("--example", action="store_true", help="run the example of an invented lab")
    if calc.id == "burr-life":
        parser.add_argument("--from-log", action="store_true", help="take the hours from the logged cases of the mill")
        parser.add_argument(
            "--log", metavar="FILE", help="case log to use (default: ADVISOR_LOG, else the user's data folder)"
        )
    parser.add_argument("--knowledge", metavar="DIR", help="knowledge folder to use (default: the shipped one)")
    return parser


def _bound(argv: Sequence[str]) -> list[str]:
    """Negative readings tied to their option, as '--other=-6,5': argparse would take '-6,5' or '-6um' for an option."""
    out: list[str] = []
    for word in argv:
        if re.match(r"-[.,]?\d", word) and out and re.fullmatch(r"--[a-z][a-z0-9-]*", out[-1]):
            out[-1] += f"={word}"
        else:
            out.append(word)
    return out


def _run(calc: Calculation, argv: Sequence[str]) -> int:
    from advisor import knowledge
    from advisor.home import data_home
    from advisor.mills import MillBook

    args = _parser(calc).parse_args(_bound(argv))
    kb = knowledge(args.knowledge).kb
    mill = MillBook(data_home()).get(args.mill)
    profile = {f.id: f.default for f in kb.vocabulary.mill} | (mill.values if mill else {})
    typed: dict[str, Any] = {
        i.id: value for i in calc.inputs if (value := getattr(args, i.id.replace("-", "_"))) not in (None, [])
    }
    if args.example:
        typed = dict(calc.example) | typed
    if getattr(args, "from_log", False):
        typed = _logged(args, mill.name if mill and args.mill else None) | typed
    for option, value in typed.items():
        if isinstance(value, str) and not value.strip():
            raise Stop(f"--{option.replace('_', '-')} is empty: give a value, or leave the option out", USAGE)
    missing = [i for i in calc.inputs if i.required and i.id not in typed]
    at_terminal = sys.stdin.isatty() and sys.stdout.isatty() and args.format == "text"
    if at_terminal and (missing or not typed):
        return _talk(calc, kb, profile, typed, args)
    try:
        run = carry_out(calc, typed, kb, profile)
    except CalcError as error:
        problems = error.problems if isinstance(error, CalcErrors) else [error]
        told = "\n".join(f"  {p}" for p in problems)
        raise Stop(
            f"{calc.id} cannot be worked out:\n{told}\nIts inputs: advisor calc {calc.id} --help", USAGE
        ) from None
    if args.format == "json":
        put_json(run_data(run))
    else:
        _put(run, kb)
    _picture(run, args.plot, args.format)
    return OK


def _put(run: Run, kb: Knowledge) -> None:
    from advisor.calc.sheet import sheet_lines

    say(plain(sheet_lines(run, kb, columns(110), Glyphs.best(sys.stdout.encoding))))


def _picture(run: Run, target: str | None, form: str) -> None:
    if target is None:
        return
    if run.worked.plot is None:
        raise Stop(f"{run.calc.id} has no picture: leave --plot out")
    from advisor.calc.picture import svg, terminal

    if target == "-":
        if form == "text":
            say(terminal(run.worked.plot, columns(100)))
        return
    try:
        svg(run.worked.plot, Path(target))
    except OSError as error:
        raise Stop(f"{target} cannot be written: {error.strerror or error}") from None
    if form == "text":
        say(f"The curve is in {target}.")


def _talk(
    calc: Calculation, kb: Knowledge, profile: Mapping[str, float], typed: dict[str, Any], args: argparse.Namespace
) -> int:
    from advisor.console import Desk, Paused

    desk = Desk()
    talk = CalcTalk(desk, kb, calc, profile, typed)
    try:
        desk.say(f"{calc.title}. ? explains an input, 'back' goes to the one before, Ctrl-D leaves.", "head")
        talk.warn()
        run = talk.ask()
        if run is not None:
            talk.show(run)
            run = talk.end(run, "ends")
    except Paused:
        run = None
    desk.say(f"The same again: {_command(calc, talk.typed)}", "dim")
    if run is not None:
        _picture(run, args.plot, "text")
    return OK


def _command(calc: Calculation, typed: Mapping[str, Any]) -> str:
    """The command line that gives these inputs."""
    words = ["advisor", "calc", calc.id]
    for spec in calc.inputs:
        value = typed.get(spec.id)
        for one in value if isinstance(value, list | tuple) else [] if value is None else [value]:
            words += [f"--{spec.option}", shlex.quote(str(one))]
    return " ".join(words)


def _logged(args: argparse.Namespace, mill: str | None) -> dict[str, Any]:
    """Hours at which burrs were changed and hours of those still running, from the logged cases."""
    from advisor.burrlog import burr_hours
    from advisor.casework import open_log

    changed, running = burr_hours(open_log(args), mill)
    if not changed:
        raise Stop(
            "The log holds no burr that was changed as worn or broken with its hours read: give --changed", USAGE
        )
    say(f"From the log: {len(changed)} burrs changed, {len(running)} still running or taken out sound.")
    hours: dict[str, Any] = {"changed": " ".join(f"{h:g}" for h in changed)}
    if running:
        hours["running"] = " ".join(f"{h:g}" for h in running)
    return hours
