"""Commands on the log itself and on settings: log verify, publish, rebuild, setup, grants; settings."""

from __future__ import annotations

import argparse
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

from advisor.output import OK, PROBLEM, USAGE, Stop, put_json, say

__all__ = ["grants", "publish", "rebuild", "settings", "setup", "verify"]


def _shared(args: argparse.Namespace) -> str:
    from advisor.settings import Settings

    url = args.to or Settings.kept().shared
    if not url:
        raise Stop(
            "No shared log is known: give --to URL, or once for all: advisor settings shared=postgresql://user@host/database",
            USAGE,
        )
    return str(url)


def verify(args: argparse.Namespace) -> int:
    """Check both chains of hashes, the derived rows, and the shared copy if there is one."""
    from advisor.casework import open_log
    from advisor.settings import Settings

    log = open_log(args)
    problems = log.verify()
    say("\n".join(problems) if problems else f"{log.name}: every event is as it was written")
    url = Settings.kept().shared
    if url and not log.base.shared and not log.invented:
        problems += _against(log, url)
    return PROBLEM if problems else OK


def _against(log: Any, url: str) -> list[str]:
    from advisor.caselog import CaseLog, LogError
    from advisor.store.publish import compare

    try:
        wrong = compare(log, CaseLog(url))
    except LogError as error:
        say(f"The shared copy was not looked at: {error}")
        return []
    say(wrong or "The shared copy says the same.")
    return [wrong] if wrong else []


def publish(args: argparse.Namespace) -> int:
    """Copy new events to the shared log, and fetch what supervisors said."""
    from advisor.caselog import CaseLog
    from advisor.casework import open_log
    from advisor.store.publish import publish as copy

    url = _shared(args)
    say(f"{copy(open_log(args), CaseLog(url))}.")
    return OK


def rebuild(args: argparse.Namespace) -> int:
    """Make the derived rows anew from the events."""
    from advisor.casework import open_log

    count = open_log(args).rebuild()
    say(f"The rows of {count} cases are made anew from their events.")
    return OK


def setup(args: argparse.Namespace) -> int:
    """Make the tables of a shared log, and the partitions of the coming months."""
    from advisor.caselog import CaseLog
    from advisor.store.engine import add_partitions

    log = CaseLog(_shared(args))
    with log.base.write() as db:
        made = add_partitions(db)
    say(f"{log.name}: the tables are there" + (f", {len(made)} partitions are new" if made else ", nothing to add"))
    return OK


def grants(args: argparse.Namespace) -> int:
    """Print the SQL of the roles."""
    from advisor.store.rights import grants as sql

    try:
        say(sql(tuple(args.bench), tuple(args.supervisor)))
    except ValueError as error:
        raise Stop(str(error), USAGE) from None
    return OK


def settings(args: argparse.Namespace) -> int:
    """Show the settings, or set some."""
    from advisor.settings import Settings

    kept = Settings.kept()
    for pair in args.values:
        key, mark, value = pair.partition("=")
        if not mark:
            raise Stop(f"'{pair}' sets nothing: write {pair}=VALUE", USAGE)
        kept.put(_priced(key.strip()), value)
    if args.values:
        kept.keep()
    data = {k: v for k, v in asdict(kept).items() if k != "writer"} | {"shared": _veiled(kept.shared)}
    if args.format == "json":
        return put_json(data)
    from advisor.home import data_home

    prices = ", ".join(f"{k} {v:.2f} {kept.currency}" for k, v in sorted(kept.prices.items())) or "none set"
    rows = [
        ("technician", kept.technician or f"(not set; the login name is used: {kept.who})"),
        ("bench", kept.bench),
        ("lab", kept.lab or "(not set)"),
        ("shared", _veiled(kept.shared) or "(not set: cases stay on this machine)"),
        ("price.MATERIAL", prices),
        ("hour_price", f"{kept.hour_price:.2f} {kept.currency}" if kept.hour_price else "(not set)"),
        ("currency", kept.currency),
        ("repeat_days", str(kept.repeat_days)),
    ]
    say("\n".join(f"{name:<15} {value}" for name, value in rows))
    say(f"\nSet one with: advisor settings NAME=VALUE   (kept in {Path(data_home()) / 'settings.json'})")
    return OK


def _priced(key: str) -> str:
    """A key as kept: the material of a price is one of the knowledge's, or what it clearly begins."""
    name, _, material = key.partition(".")
    if name != "price" or not material:
        return key
    from advisor import knowledge

    choices = knowledge().setting_fields["material"].choices
    found = [c for c in choices if c == material] or [c for c in choices if c.startswith(material)]
    if len(found) != 1:
        raise Stop(f"{key}: '{material}' is none of the materials {', '.join(choices)}", USAGE)
    return f"price.{found[0]}"


def _veiled(url: str) -> str:
    """A URL without its password, wherever it stands."""
    url = re.sub(r"((?:\?|&)password=)[^&]*", r"\1***", url)
    return re.sub(r"(://[^:@/?]*):.*@", r"\1:***@", url)  # a password may hold an @ itself
