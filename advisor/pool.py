"""One function over many items on several processes, each of which has loaded the knowledge once."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

from advisor.compiled import Compiled

__all__ = ["each_in_pool"]

T = TypeVar("T")
R = TypeVar("R")
_WORKER: dict[str, Compiled] = {}


def _start(folder: Path | None) -> None:
    from advisor import knowledge

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, which ends these in order
    _WORKER["compiled"] = knowledge(folder, overlay=False)


def _task(work: Callable[[Compiled, T], R], item: T) -> R:
    return work(_WORKER["compiled"], item)


def each_in_pool(
    work: Callable[[Compiled, T], R], compiled: Compiled, items: Iterable[T], jobs: int, folder: Path | None = None
) -> Iterator[R]:
    """`work(compiled, item)` for every item, in their order. With one job it runs here; with more, in processes that
    load the knowledge in `folder` (None: the shipped one) themselves, so that results do not depend on `jobs`."""
    if jobs <= 1:
        yield from (work(compiled, item) for item in items)
        return
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_start, initargs=(folder,)) as pool:
        yield from pool.map(partial(_task, work), items, chunksize=2)
