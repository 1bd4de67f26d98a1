"""Commands for authors of the knowledge: check, list, show, schema, replay."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from advisor.output import OK, PROBLEM, USAGE, Stop, put_json, say

__all__ = ["knowledge_check", "knowledge_list", "knowledge_schema", "knowledge_show", "replay"]


def knowledge_check(args: argparse.Namespace) -> int:
    from advisor.issue import KnowledgeError
    from advisor.lint import lint
    from advisor.load import load_knowledge, shipped

    folder = Path(args.folder) if args.folder else shipped("knowledge")
    advice: list[Any] = []
    try:
        kb = load_knowledge(folder)
        errors, advice = lint(kb)
        counts = {
            kind: len(kb.kind(kind)) for kind in ("symptoms", "causes", "checks", "remedies", "rules", "cautions")
        }
        counts["measurements"] = sum(c.measured for c in kb.checks.values())
    except KnowledgeError as error:
        errors, counts = error.issues, {}
    bad = bool(errors) or (args.strict and bool(advice))
    if args.format == "json":
        put_json(
            {"ok": not bad, "counts": counts, "errors": [vars(i) for i in errors], "advice": [vars(i) for i in advice]}
        )
        return PROBLEM if bad else OK
    for issue in errors:
        say(str(issue))
    for issue in advice:
        say(f"{issue} (advice)")
    total = ", ".join(f"{n} {kind}" for kind, n in counts.items())
    say(f"{len(errors)} problems, {len(advice)} pieces of advice" + (f" in {total}" if total else ""))
    return PROBLEM if bad else OK


def _load(args: argparse.Namespace) -> Any:
    from advisor.load import load_knowledge, shipped

    return load_knowledge(Path(args.knowledge) if args.knowledge else shipped("knowledge"))


def _kind(name: str) -> str:
    from advisor.issue import nearest
    from advisor.model import KINDS

    for kind in KINDS:
        if name in (kind, kind.removesuffix("s"), {"remedies": "remedy"}.get(kind, kind)):
            return kind
    raise Stop(f"there is no kind '{name}'; {nearest(name, KINDS) or 'kinds: ' + ', '.join(KINDS)}", USAGE)


def knowledge_list(args: argparse.Namespace) -> int:
    kind = _kind(args.kind)
    records = _load(args).kind(kind)
    if args.format == "json":
        return put_json([r.model_dump(mode="json", by_alias=True, exclude_none=True) for r in records.values()])
    for key, record in sorted(records.items()):
        title = getattr(record, "title", None) or getattr(record, "text", None) or getattr(record, "because", "")
        say(f"{key:<34} {title}")
    return OK


def knowledge_show(args: argparse.Namespace) -> int:
    from advisor.issue import nearest
    from advisor.model import KINDS

    kb = _load(args)
    found = [(kind, kb.kind(kind)[args.id]) for kind in KINDS if args.id in kb.kind(kind)]
    if not found:
        known = [key for kind in KINDS for key in kb.kind(kind)]
        raise Stop(
            f"there is no entry '{args.id}'; {nearest(args.id, known) or 'see: advisor knowledge list causes'}", USAGE
        )
    if args.format == "json":
        return put_json(
            [
                {"kind": kind, "entry": record.model_dump(mode="json", by_alias=True, exclude_none=True)}
                for kind, record in found
            ]
        )
    from advisor.trail import record_text

    say("\n\n".join(record_text(kb, kind, record) for kind, record in found))
    return OK


def knowledge_schema(args: argparse.Namespace) -> int:
    from advisor.model import KINDS, CauseExamples, Vocabulary, WorkedCase

    shapes: dict[str, Any] = {
        kind: {"type": "array", "items": {"$ref": f"#/$defs/{model.__name__}"}}
        for kind, model in KINDS.items()
        if kind != "causes"
    }
    models: dict[str, Any] = {**KINDS, "vocabulary": Vocabulary, "examples": CauseExamples, "cases": WorkedCase}
    if args.kind:
        name = args.kind if args.kind in models else _kind(args.kind)
        return put_json(models[name].model_json_schema(by_alias=True))
    defs: dict[str, Any] = {}
    for model in models.values():
        schema = model.model_json_schema(by_alias=True, ref_template="#/$defs/{model}")
        defs |= schema.pop("$defs", {})
        defs[model.__name__] = schema
    shared = {
        "type": "object",
        "additionalProperties": False,
        "properties": {**shapes, "vocabulary": {"$ref": "#/$defs/Vocabulary"}},
    }
    return put_json(
        {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": "advisor knowledge files",
            "anyOf": [shared, {"$ref": "#/$defs/Cause"}, {"$ref": "#/$defs/CauseExamples"}],
            "$defs": defs,
        }
    )


def replay(args: argparse.Namespace) -> int:
    from advisor import knowledge
    from advisor import replay as worked
    from advisor.load import load_cases, shipped

    cases = load_cases(Path(args.path) if args.path else shipped("cases"))
    progress: Callable[[int, int], None] | None = None
    if sys.stderr.isatty():

        def show(done: int, total: int) -> None:
            sys.stderr.write(f"\r{done}/{total} cases" if done < total else "\r" + " " * 24 + "\r")
            sys.stderr.flush()

        progress = show
    result = worked.replay(knowledge(args.knowledge, overlay=False), cases, progress)
    if args.format == "json":
        return put_json(result)
    say(worked.replay_text(result))
    return OK
