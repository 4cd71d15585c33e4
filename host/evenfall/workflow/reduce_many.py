"""Many runs reduced on all cores: each core reads and reduces, one writer keeps the results.

Results are kept batch by batch, so a stop loses at most the batches under way.  What a reduction of
today's method has already is not done again: the same call goes on where it was stopped.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from evenfall.archive.archive import Archive
from evenfall.errors import EvenfallError
from evenfall.model import Reduction
from evenfall.reduction.reduce import VERSION
from evenfall.workflow.reduce_service import reduce_kept_together

BATCH = 50  # runs to a transaction: about a quarter of a second of one core
MIN_PARALLEL_RUNS = 200  # runs; below them starting other processes takes longer than they save
TOGETHER = 10  # runs whose peaks are looked for together
AHEAD = 3  # batches handed out per core
BIN_RPM = 250.0
# every core has a process already; memory that was freed is kept, as each run needs it again
WORKERS_ENVIRONMENT = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MALLOC_TRIM_THRESHOLD_": "16777216",
    "MALLOC_MMAP_THRESHOLD_": "16777216",
}


@dataclass(frozen=True)
class Outcome:
    """What became of one run: kept, or why it cannot be reduced."""

    number: int
    error: str = ""


def due(archive: Archive, numbers: Sequence[int]) -> list[int]:
    """Those of `numbers` whose figures are not of today's method or not of what they are filed under."""
    done = {
        row["id"]
        for row in archive.rows(
            "SELECT runs.id FROM runs JOIN reductions ON reductions.id = runs.reduction_id WHERE version = ?",
            VERSION,
        )
    }
    return [n for n in numbers if n not in done]


def cores() -> int:
    """Processors this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def reduce_many(
    archive: Archive, numbers: Sequence[int], jobs: int = 0
) -> Generator[list[Outcome], None, None]:
    """Reduce runs and keep the results; yields what became of each batch once it is kept.

    Args:
        jobs: processes; 0: one per core, and none but this one for fewer than `MIN_PARALLEL_RUNS` runs.
    """
    jobs = jobs or (cores() if len(numbers) >= MIN_PARALLEL_RUNS else 1)
    batches = [list(numbers[i : i + BATCH]) for i in range(0, len(numbers), BATCH)]
    if jobs == 1:
        for batch in batches:
            yield _store(archive, list(zip(batch, _reduced(archive, batch), strict=True)))
        return
    waiting: deque[Future[list[Reduction | str]]] = deque()
    with _pool(archive.folder, min(jobs, len(batches))) as pool:
        try:
            for i in range(len(batches)):
                while len(waiting) < AHEAD * jobs and i + len(waiting) < len(batches):
                    waiting.append(pool.submit(_batch, batches[i + len(waiting)]))
                results = waiting.popleft().result()
                yield _store(archive, list(zip(batches[i], results, strict=True)))
        except BrokenProcessPool:
            raise EvenfallError(
                "a process that reduced runs was ended from outside (memory?); what was kept stays: "
                "give the command again, with --jobs 1 if it ends again"
            ) from None
        finally:
            pool.shutdown(cancel_futures=True)


def _store(archive: Archive, results: list[tuple[int, Reduction | str]]) -> list[Outcome]:
    with archive.change():
        for number, result in results:
            if not isinstance(result, str):
                archive.store_reduction(number, result, BIN_RPM)
    return [Outcome(number, result if isinstance(result, str) else "") for number, result in results]


def _reduced(archive: Archive, numbers: list[int]) -> list[Reduction | str]:
    """Figures of each, or why it has none; a few at a time, as each holds its samples until all are done."""
    results: list[Reduction | str] = []
    for i in range(0, len(numbers), TOGETHER):
        some = reduce_kept_together(archive, numbers[i : i + TOGETHER], BIN_RPM)
        results += [str(r) if isinstance(r, EvenfallError) else r for r in some]
    return results


_archive: Archive | None = None  # of a worker, opened once


def _begin(folder: Path) -> None:
    global _archive
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent stops; this process ends with it
    _archive = Archive(folder)


@contextmanager
def _deaf_children() -> Iterator[None]:
    """Processes started in here do not hear the keyboard while they still import (it is inherited)."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _batch(numbers: list[int]) -> list[Reduction | str]:
    assert _archive is not None
    nothing = np.zeros(0)
    results = _reduced(_archive, numbers)
    # the curves over time are not kept: they stay here
    return [
        r if isinstance(r, str) else replace(r, time_s=nothing, speed_rpm=nothing, torque_Nm=nothing)
        for r in results
    ]


@contextmanager
def _pool(folder: Path, jobs: int) -> Iterator[ProcessPoolExecutor]:
    before = {name: os.environ.get(name) for name in WORKERS_ENVIRONMENT}
    os.environ.update({name: os.environ.get(name) or v for name, v in WORKERS_ENVIRONMENT.items()})
    try:
        with ProcessPoolExecutor(
            jobs, multiprocessing.get_context("spawn"), initializer=_begin, initargs=(folder,)
        ) as pool:
            with _deaf_children():
                for _ in range(jobs):
                    pool.submit(int)  # a task that finds no idle process starts one
            yield pool
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
