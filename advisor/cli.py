"""The command line: options, and errors in plain words. The commands are in `casework` and `authoring`."""

from __future__ import annotations

import argparse
import gc
import importlib
import os
import sys
from collections.abc import Callable, Sequence

from advisor import __version__
from advisor.output import OK, PROBLEM, USAGE, Stop, warn

__all__ = ["main"]


def _late(module: str, name: str) -> Callable[[argparse.Namespace], int]:
    """A command of another module, imported only when it runs: `--version` needs none of them."""

    def run(args: argparse.Namespace) -> int:
        code: int = getattr(importlib.import_module(f"advisor.{module}"), name)(args)
        return code

    return run


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="advisor",
        description="Find out why a dental mill's result is bad: questions, readings, ranked causes, a remedy and its proof.",
        epilog="Without a command: diagnose. The machine's own manual and local codes come first.",
    )
    parser.add_argument("--version", action="version", version=f"advisor {__version__}")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument(
        "--log",
        metavar="FILE",
        help="case log to use: a file, or the URL of a shared one (default: ADVISOR_LOG, else the user's data folder)",
    )
    common.add_argument("--knowledge", metavar="DIR", help="knowledge folder to use (default: the shipped one)")
    named = argparse.ArgumentParser(add_help=False)
    named.add_argument("--by", metavar="NAME", help="who it is (default: the setting technician, else the login name)")
    shown = argparse.ArgumentParser(add_help=False)
    shown.add_argument("--format", choices=("text", "json"), default="text", help="output format (default: text)")
    sub = parser.add_subparsers(dest="command", metavar="COMMAND")

    p = sub.add_parser(
        "diagnose",
        parents=[common, shown],
        help="begin a case (the default)",
        description="Begin a case at the console, or run one from an answers file.",
    )
    p.add_argument(
        "--answers",
        metavar="FILE",
        help="run from a YAML file with complaint, symptoms, setting, answers, remedies; asks nothing",
    )
    p.add_argument("--mill", metavar="NAME", help="mill profile to use (default: the last one used)")
    p.add_argument("--technician", metavar="NAME", help="who works on it (default: as set, else the login name)")
    p.set_defaults(run=_late("casework", "diagnose"))
    p = sub.add_parser(
        "resume",
        parents=[common],
        help="go on with a paused case",
        description="Go on with a case, by default the newest open one.",
    )
    p.add_argument("case", nargs="?", help="case id, its beginning or its end")
    p.set_defaults(run=_late("casework", "resume"))
    p = sub.add_parser(
        "cases", parents=[common, shown], help="list the cases", description="List the cases, newest first."
    )
    p.add_argument("--open", action="store_true", help="only cases that are not closed")
    p.add_argument("--limit", type=int, default=30, metavar="N", help="at most N cases (default: 30)")
    p.set_defaults(run=_late("casework", "cases"))
    p = sub.add_parser(
        "case",
        parents=[common, shown],
        help="show one case with its whole reasoning",
        description="Show every event of a case, and the reasoning as it stands.",
    )
    p.add_argument("case", help="case id, its beginning or its end")
    p.add_argument("--html", metavar="FILE", help="write it as a sheet to put with the work or send to service")
    p.add_argument("--pdf", metavar="FILE", help="the same as PDF")
    p.set_defaults(run=_late("casework", "case"))
    p = sub.add_parser("calc", add_help=False, help="bench calculations: from readings with units to a verdict")
    p.add_argument("rest", nargs=argparse.REMAINDER)
    p.set_defaults(run=lambda args: 0)
    p = sub.add_parser(
        "care",
        parents=[shown],
        help="the care plan: daily, weekly, monthly, by hours",
        description="Show the care plan, and which causes its neglect brings.",
    )
    p.add_argument("--every", choices=("day", "week", "month", "hours"), help="tasks of one interval only")
    p.add_argument("--cause", metavar="ID", help="tasks that prevent this cause")
    p.add_argument("--ids", action="store_true", help="only the ids and titles, for 'advisor diary done'")
    p.add_argument("--knowledge", metavar="DIR", help="knowledge folder to use (default: the shipped one)")
    p.set_defaults(run=_late("carework", "care"))
    p = sub.add_parser(
        "note",
        parents=[common, named],
        help="write a note into a case, such as the answer to a supervisor's question",
        description="Write a note into a case, open or closed.",
    )
    p.add_argument("case", help="case id, its beginning or its end")
    p.add_argument("text", nargs="+", metavar="TEXT", help="the note")
    p.set_defaults(run=_late("casework", "note"))
    p = sub.add_parser(
        "attach",
        parents=[common],
        help="keep photos or files with a case",
        description="Keep photos or files with a case, beside the log.",
    )
    p.add_argument("case", help="case id, its beginning or its end")
    p.add_argument("files", nargs="+", metavar="FILE", help="photo or file, up to 20 MB")
    p.set_defaults(run=_late("casework", "attach"))
    p = sub.add_parser(
        "log", help="check, copy, import and export the case log", description="The case log as a whole."
    )
    inner = p.add_subparsers(dest="what", metavar="WHAT", required=True)
    k = inner.add_parser("verify", parents=[common], help="find altered, missing or reordered events")
    k.set_defaults(run=_late("logwork", "verify"))
    k = inner.add_parser("publish", parents=[common], help="copy what is new to the shared log, fetch reviews")
    k.add_argument("--to", metavar="URL", help="shared log (default: the setting 'shared')")
    k.set_defaults(run=_late("logwork", "publish"))
    k = inner.add_parser("rebuild", parents=[common], help="make the rows of the review anew from the events")
    k.set_defaults(run=_late("logwork", "rebuild"))
    k = inner.add_parser("setup", help="make the tables of a shared log, and partitions for the coming months")
    k.add_argument("--to", metavar="URL", help="shared log (default: the setting 'shared')")
    k.set_defaults(run=_late("logwork", "setup"))
    k = inner.add_parser("grants", help="print the SQL that gives benches and supervisors their rights")
    k.add_argument("--bench", action="append", default=[], metavar="LOGIN", help="database login of a bench")
    k.add_argument("--supervisor", action="append", default=[], metavar="LOGIN", help="login of a supervisor")
    k.set_defaults(run=_late("logwork", "grants"))
    k = inner.add_parser(
        "import",
        parents=[common],
        help="bring in a list of remakes kept so far (CSV or Excel)",
        description="Bring in a list of remakes: each row becomes a case. Columns are found by their headings (English or German), shown, and asked for where unclear. No row comes in twice.",
    )
    k.add_argument("file", metavar="FILE", help="CSV, or an Excel workbook (.xlsx)")
    k.add_argument(
        "--map",
        action="append",
        default=[],
        metavar="FIELD=HEADING",
        help="which column holds what, such as date=Datum, note=C, or technician= to leave it out; fields: date, complaint, mill, technician, material, cause, remedy, result, blocks, minutes, note, id",
    )
    k.add_argument("--map-file", metavar="FILE", help="take the columns from a kept mapping")
    k.add_argument("--save-map", metavar="FILE", help="keep the columns as found for the next time")
    k.add_argument("--sheet", metavar="NAME", help="sheet of the workbook (default: the one that holds a list)")
    k.add_argument(
        "--separator",
        choices=("comma", "semicolon", "tab"),
        help="sign between the columns of a CSV file (default: found out)",
    )
    g = k.add_mutually_exclusive_group()
    g.add_argument("--day-first", action="store_true", help="03/04/2026 is the third of April")
    g.add_argument("--month-first", action="store_true", help="03/04/2026 is the fourth of March")
    k.add_argument("--dry-run", action="store_true", help="only show what would come in")
    k.add_argument("--skip-bad", action="store_true", help="bring in the good rows although others cannot be read")
    k.add_argument("--yes", action="store_true", help="do not ask before writing")
    k.set_defaults(run=_late("exchange.work", "log_import"))
    k = inner.add_parser(
        "export",
        parents=[common],
        help="write cases as CSV or JSON Lines",
        description="Write cases for other programs: CSV has a row a case, JSON Lines all events of a case in a line.",
    )
    k.add_argument("--format", choices=("csv", "jsonl"), default="csv", help="default: csv")
    k.add_argument("--file", metavar="FILE", help="file to write (default: stdout)")
    k.add_argument("--from", dest="since", metavar="DATE", help="cases begun on this day or later")
    k.add_argument("--to", dest="until", metavar="DATE", help="cases begun on this day or before")
    k.add_argument("--mill", metavar="NAME", help="cases of this mill only")
    k.add_argument("--case", metavar="CASE", help="this case only")
    k.add_argument("--excel", action="store_true", help="mark the CSV file as UTF-8 for spreadsheets")
    k.set_defaults(run=_late("exchange.work", "log_export"))
    p = sub.add_parser(
        "diary",
        help="note what was done and changed on a mill, and what it made",
        description="The diary of a mill: care tasks done, things changed, pieces made. The review and the memory at the bench read it.",
    )
    inner = p.add_subparsers(dest="what", metavar="WHAT", required=True)
    dated = argparse.ArgumentParser(add_help=False)
    dated.add_argument("--on", metavar="DATE", help="the day (default: today)")
    k = inner.add_parser("done", parents=[common, named, dated], help="a care task was done")
    k.add_argument("mill", help="name of the mill")
    k.add_argument("task", help="id of the task: 'advisor care --ids' lists them")
    k.set_defaults(run=_late("diarywork", "care_done"))
    k = inner.add_parser("changed", parents=[common, named, dated], help="something was changed on the mill")
    k.add_argument("mill", help="name of the mill")
    k.add_argument("what", nargs="+", metavar="TEXT", help="what, such as: new air hose")
    k.set_defaults(run=_late("diarywork", "changed"))
    k = inner.add_parser("made", parents=[common, named], help="so many pieces were made, so many scrapped")
    k.add_argument("mill", help="name of the mill")
    k.add_argument("made", type=int, metavar="COUNT", help="pieces made")
    k.add_argument("--scrapped", type=int, default=0, metavar="COUNT", help="of these scrapped (default: 0)")
    k.add_argument("--from", dest="since", metavar="DATE", help="first day (default: the last one)")
    k.add_argument("--to", dest="until", metavar="DATE", help="last day (default: today)")
    k.set_defaults(run=_late("diarywork", "made"))
    k = inner.add_parser("show", parents=[common, shown], help="the newest entries")
    k.add_argument("mill", nargs="?", help="of this mill only")
    k.add_argument("--limit", type=int, default=40, metavar="N", help="at most N entries (default: 40)")
    k.set_defaults(run=_late("diarywork", "show"))
    p = sub.add_parser(
        "review",
        help="the supervisor's look at a period; sign-off of cases",
        description="What costs most, which mill drifts, which fix did not hold, what to sign. Then the figures behind it.",
    )
    inner = p.add_subparsers(dest="what", metavar="WHAT", required=True)
    period = argparse.ArgumentParser(add_help=False)
    period.add_argument("--from", dest="since", metavar="DATE", help="first day, such as 2026-09-01")
    period.add_argument("--to", dest="until", metavar="DATE", help="last day (default: today)")
    for name in ("mill", "technician", "material"):
        period.add_argument(f"--{name}", metavar="NAME", help=f"only cases of this {name}")
    k = inner.add_parser(
        "show",
        parents=[common, shown, period],
        help="the review itself (the default)",
        description="Review a period: the last 90 days if none is given.",
    )
    k.add_argument("--last", metavar="SPAN", help="so long up to the last day: 30d, 12w, 3m, 1y (default: 90d)")
    k.add_argument("--html", metavar="FILE", help="write it as one HTML file, to read and to print")
    k.set_defaults(run=_late("review.work", "review"))
    k = inner.add_parser("queue", parents=[common, named, period], help="step through unsigned cases")
    k.set_defaults(run=_late("review.queue", "queue"))
    k = inner.add_parser("sign", parents=[common, named], help="sign one case, or ask or comment on it")
    k.add_argument("case", help="case id, its beginning or its end")
    k.add_argument("--approve", action="store_true", help="the technician's finding stands")
    k.add_argument("--correct", metavar="CAUSE", help="it was this cause: its id, or words of its title")
    k.add_argument("--ask", metavar="TEXT", help="ask for more; the case waits for a note")
    k.add_argument("--comment", metavar="TEXT", help="a remark; signs nothing")
    k.set_defaults(run=_late("review.queue", "sign"))
    p = sub.add_parser(
        "learn",
        help="fit the knowledge's numbers to the shop's signed cases",
        description="Learn from signed cases how often causes come up here and what they show. Shown first, adopted only if it predicts held-out cases better, and only on your word.",
    )
    inner = p.add_subparsers(dest="what", metavar="WHAT", required=True)
    k = inner.add_parser("now", parents=[common, shown], help="what would change, and adopt it (the default)")
    k.add_argument("--yes", action="store_true", help="adopt without asking")
    k.set_defaults(run=_late("learning.work", "learn"))
    k = inner.add_parser("show", parents=[shown], help="what was learned and is in force")
    k.set_defaults(run=_late("learning.work", "learn_show"))
    k = inner.add_parser("undo", help="go back to what was in force before")
    k.set_defaults(run=_late("learning.work", "learn_undo"))
    k = inner.add_parser("unknowns", parents=[common, shown], help="causes the knowledge lacks, that come back")
    k.add_argument("--draft", metavar="DIR", help="write a draft entry for each to this knowledge folder")
    k.set_defaults(run=_late("learning.work", "learn_unknowns"))
    p = sub.add_parser(
        "demo",
        help="make an invented lab to try the review on",
        description="Make an invented lab of four mills in a log of its own; your own log is not touched.",
    )
    p.add_argument("--again", action="store_true", help="make it anew, up to today")
    p.set_defaults(run=_late("demo.work", "demo"))
    p = sub.add_parser(
        "settings",
        parents=[shown],
        help="show or set who works here, prices, the shared log",
        description="Show the settings, or set them: technician, bench, lab, shared, currency, price.MATERIAL, hour_price, repeat_days.",
    )
    p.add_argument("values", nargs="*", metavar="NAME=VALUE", help="such as technician=Ines price.zirconia=14.50")
    p.set_defaults(run=_late("logwork", "settings"))
    p = sub.add_parser(
        "mill",
        parents=[common, shown],
        help="show or fill in a mill's profile",
        description="The values of a mill's own papers. Without NAME: list. With NAME and no values at a terminal: ask for each.",
    )
    p.add_argument("name", nargs="?", help="name of the mill")
    p.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="FIELD=VALUE",
        dest="values",
        help="set a value with its unit, such as inlet_pressure='5.5 bar', process=wet, burr.1='finishing, 1 mm ball', bench=test-gauge,calliper",
    )
    p.set_defaults(run=_late("casework", "mill"))
    p = sub.add_parser(
        "knowledge", help="check and read the knowledge base", description="Check and read the knowledge base."
    )
    inner = p.add_subparsers(dest="what", metavar="WHAT", required=True)
    k = inner.add_parser("check", parents=[shown], help="find every problem of the knowledge files")
    k.add_argument("folder", nargs="?", help="knowledge folder (default: the shipped one)")
    k.add_argument("--strict", action="store_true", help="advice counts as a problem too")
    k.set_defaults(run=_late("authoring", "knowledge_check"))
    k = inner.add_parser("list", parents=[common, shown], help="list the entries of a kind")
    k.add_argument("kind", help="symptoms, causes, checks, remedies, rules, findings, cautions, instruments or sources")
    k.set_defaults(run=_late("authoring", "knowledge_list"))
    k = inner.add_parser("show", parents=[common, shown], help="show an entry whole")
    k.add_argument("id", help="id of an entry of any kind")
    k.set_defaults(run=_late("authoring", "knowledge_show"))
    k = inner.add_parser("schema", parents=[shown], help="JSON Schema of the files, for editors")
    k.add_argument("kind", nargs="?", help="one kind only, such as causes")
    k.set_defaults(run=_late("authoring", "knowledge_schema"))
    k = inner.add_parser(
        "simulate",
        parents=[shown],
        help="invented cases from the knowledge itself: how often right, how long, how well calibrated",
        description="Draw causes and answers from the knowledge, run whole sessions, and sum up against other ways to go about it.",
    )
    k.add_argument("--cases", type=int, default=200, metavar="N", help="invented cases (default: 200)")
    k.add_argument("--seed", type=int, default=1, metavar="S", help="same seed, same cases (default: 1)")
    k.add_argument("--jobs", type=int, metavar="J", help="processes (default: one a core)")
    k.add_argument("--planned-only", action="store_true", help="leave the other ways out (much quicker)")
    k.add_argument(
        "--sensitivity",
        type=int,
        nargs="?",
        const=60,
        metavar="N",
        help="also find the links the next steps hang on most, from N invented cases (default: 60)",
    )
    k.add_argument(
        "--plot", metavar="FILE.svg", help="draw the reliability diagram: what was said against what came true"
    )
    k.add_argument("--knowledge", metavar="DIR", help="knowledge folder to use (default: the shipped one)")
    k.set_defaults(run=_late("workbench", "knowledge_simulate"))
    k = inner.add_parser(
        "diff",
        parents=[shown],
        help="replay cases on two versions of the knowledge and show what changes",
        description="Replay worked cases, and logged ones if asked, on two knowledge folders; show whose ranking or next step changes.",
    )
    k.add_argument("old", help="knowledge folder before")
    k.add_argument("new", help="knowledge folder after")
    k.add_argument(
        "--cases", metavar="DIR", help="worked cases to use (default: those beside NEW, else the shipped ones)"
    )
    k.add_argument("--logged", action="store_true", help="the logged cases too")
    k.add_argument("--log", metavar="FILE", help="case log to use (default: ADVISOR_LOG, else the user's data folder)")
    k.add_argument(
        "--limit", type=int, default=500, metavar="N", help="at most N logged cases, newest first (default: 500)"
    )
    k.set_defaults(run=_late("workbench", "knowledge_diff"))
    k = inner.add_parser(
        "graph",
        help="draw causes and checks as SVG",
        description="Draw a symptom with its likeliest causes and the checks that show them; without --symptom, all causes against all symptoms.",
    )
    k.add_argument("--symptom", metavar="ID", help="the complaint to draw")
    k.add_argument("--svg", required=True, metavar="FILE", help="file to write")
    k.add_argument("--knowledge", metavar="DIR", help="knowledge folder to use (default: the shipped one)")
    k.set_defaults(run=_late("workbench", "knowledge_graph"))
    k = inner.add_parser(
        "new", help="begin a new entry", description="Begin a new cause: its file and its examples, to be filled in."
    )
    k.add_argument("kind", choices=("cause",), help="what to begin")
    k.add_argument("id", help="its id: the title in small letters with hyphens")
    k.add_argument("--system", required=True, help="system it belongs to, such as collet")
    k.add_argument("--title", help="its title (default: from the id)")
    k.add_argument("--knowledge", metavar="DIR", help="knowledge folder to write to (default: the shipped one)")
    k.set_defaults(run=_late("workbench", "knowledge_new"))
    p = sub.add_parser(
        "replay",
        parents=[shown],
        help="run worked cases and say how many came out right",
        description="Run worked cases and print top-1, top-3, mean minutes against a fixed checklist, and each miss.",
    )
    p.add_argument("path", nargs="?", help="case file or folder (default: the shipped cases)")
    p.add_argument("--knowledge", metavar="DIR", help="knowledge folder to use (default: the shipped one)")
    p.set_defaults(run=_late("authoring", "replay"))
    return parser


def _filled(words: list[str]) -> list[str]:
    """`advisor review --last 3m` is `advisor review show --last 3m`; `learn` and `diary` have a usual word too."""
    usual = {"review": "show", "learn": "now", "diary": "show"}.get(words[0]) if words else None
    plain = len(words) == 1 or (words[1].startswith("-") and words[1] not in ("-h", "--help"))
    return [words[0], usual, *words[1:]] if usual and plain else words


# The arrays here are small: several threads would only spin, and slow each other down.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit code: 0 done, 1 a problem was found, 2 wrong use."""
    args_in = list(sys.argv[1:] if argv is None else argv)
    known = (
        "diagnose",
        "resume",
        "cases",
        "case",
        "calc",
        "log",
        "mill",
        "knowledge",
        "replay",
        "-h",
        "--help",
        "--version",
    )
    if not args_in or (args_in[0] not in known and args_in[0].startswith("-")):
        args_in = ["diagnose", *args_in]
    args_in = _filled(args_in)
    # Collecting cycles while modules and knowledge load costs a tenth of the start and frees nothing.
    gc.set_threshold(50_000, 20, 20)
    try:
        if args_in[0] == "calc":  # it has options of its own for each calculation
            from advisor.calcwork import calc

            code = calc(args_in[1:])
        else:
            args = _parser().parse_args(args_in)
            code = args.run(args)
        sys.stdout.flush()
        return code
    except Stop as stop:
        warn(stop)
        return stop.code
    except KeyboardInterrupt:
        asked = args_in[0] in ("diagnose", "resume")
        print("Interrupted; every answer given is kept." if asked else "Interrupted.", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception as error:
        if type(error).__name__ in (
            "KnowledgeError",
            "LogError",
            "Unreachable",
            "MillError",
            "SettingsError",
            "CaseError",
            "EvidenceError",
        ):
            warn(error)
            return USAGE if type(error).__name__ in ("KnowledgeError", "CaseError") else PROBLEM
        if os.environ.get("ADVISOR_DEBUG"):
            raise
        warn(
            f"Something in the program went wrong ({type(error).__name__}: {error}). Every answer given is kept. "
            "Set ADVISOR_DEBUG=1 to see where, and report it."
        )
        return PROBLEM


if __name__ == "__main__":
    raise SystemExit(main())
