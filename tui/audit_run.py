"""Many logbooks, or large ones, audited on all cores: which tasks there are, who does them, how far they have come.

No argparse and no words here: the command line comes through this door, and so may a screen.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import redirect_stderr, suppress
from functools import partial
from io import StringIO
from multiprocessing import resource_tracker
from multiprocessing.queues import Queue as ProcessQueue
from multiprocessing.synchronize import Event
from pathlib import Path
from queue import Empty
from typing import Final

from logger.audit.desk import LARGE_ENTRIES, Audit, Outcome, Task, perform, tasks_for
from logger.errors import InputWrong, LogbookDamaged, LogbookUnusable
from logger.logbook.examine import examine
from logger.logbook.reader import LogbookReader
from tui.drivers_here import InstalledDrivers

FILES_AT_MOST: Final = 100_000
"""Most files that are looked at in a folder: a folder of more is not one of logbooks."""

BESIDE: Final = ("-wal", "-shm", "-journal", ".lock")
"""What lies beside a logbook and is none."""

LOOK_EVERY_S: Final = 0.25
"""How often it is looked how far the others have come, seconds."""

MANY: Final = 8
"""From so many logbooks on they are shared between processes, however small."""

Show = Callable[[int, int], None]
"""`show(done, total)`, in entries over all tasks."""


def logbooks_in(paths: Sequence[Path]) -> tuple[list[Path], list[Path]]:
    """The logbooks named, those in folders found; and what in a folder looks like one by its name and is none.

    Raises:
        InputWrong: if a folder holds none, or cannot be read.
        LogbookUnusable: if a file that was named is no logbook.
    """
    found: list[Path] = []
    passed_over: list[Path] = []
    for path in paths:
        if not path.is_dir():
            with suppress(LogbookDamaged):
                examine(path)
            found.append(path)
            continue
        before = len(found)
        for each in _files(path):
            try:
                examine(each)
            except LogbookDamaged:
                pass
            except LogbookUnusable:
                if each.suffix == ".db":
                    passed_over.append(each)
                continue
            found.append(each)
        if len(found) == before:
            raise InputWrong(f"There is no logbook in {path}", "name another folder, or a logbook")
    return list(dict.fromkeys(found)), passed_over


def _files(folder: Path) -> list[Path]:
    try:
        every = (each for each in folder.rglob("*") if each.is_file() and not each.name.endswith(BESIDE))
        files = [each for each, _ in zip(every, range(FILES_AT_MOST + 1), strict=False)]
    except OSError as error:
        raise InputWrong(f"The folder {folder} cannot be read ({error.strerror})", "see who may read it") from error
    if len(files) > FILES_AT_MOST:
        raise InputWrong(
            f"The folder {folder} holds more than {FILES_AT_MOST} files", "name its logbooks, or a smaller one"
        )
    return sorted(files)


class Stopped(Exception):
    """Nobody wants the outcome any more."""


def audit_all(
    paths: Sequence[Path],
    pinned: Sequence[str] = (),
    show: Show | None = None,
    stopped: Callable[[], bool] | None = None,
) -> list[Audit]:
    """Audit each; what shows only over several is not looked at yet (`logger.audit.desk.look_across`).

    Args:
        paths: logbooks.
        pinned: verifier keys known from elsewhere.
        show: told now and then how far it has come.
        stopped: asked now and then whether to leave off: the audits are then not whole, and worth nothing.

    Raises:
        LogbookUnusable: if one is no logbook.
        InputWrong: if a pinned key is none.
    """
    run = _Run(paths, pinned, show, stopped)
    cores = os.cpu_count() or 1
    with suppress(Stopped):
        if cores > 1 and (len(paths) >= MANY or len(run.jobs) > len(paths)):
            run.shared(min(cores, len(run.jobs)))
        else:
            run.alone()
    return run.audits


class _Run:
    """One audit of several logbooks. A job is one task on one of them."""

    def __init__(
        self, paths: Sequence[Path], pinned: Sequence[str], show: Show | None, stopped: Callable[[], bool] | None
    ) -> None:
        self.audits = [Audit(path) for path in paths]
        self.jobs: list[tuple[int, Task, int]] = []
        self._pinned = tuple(pinned)
        self._show = show
        self._stopped = stopped
        for place, path in enumerate(paths):
            try:
                size = _size(path)
                self.jobs += [(place, task, size) for task in tasks_for(path)]
            except LogbookDamaged as error:
                self._took(place, Outcome(damage=str(error), damaged_at=error.entry))
        self._total = sum(size for _, _, size in self.jobs)
        self._done = [0] * len(self.jobs)

    def alone(self) -> None:
        """Do every job here."""
        drivers = InstalledDrivers()
        for job, (place, task, size) in enumerate(self.jobs):
            told = partial(self._told, job)
            self._took(place, _outcome(self.audits[place].path, task, drivers, self._pinned, told))
            self._told(job, size)

    def shared(self, processes: int) -> None:
        """Share them, the largest first."""
        _begin_tracker()
        context = multiprocessing.get_context("spawn")
        news: ProcessQueue[tuple[int, int]] = context.Queue()
        stop = context.Event()
        pool = ProcessPoolExecutor(processes, context, _begin_worker, (news, stop))
        try:
            order = sorted(range(len(self.jobs)), key=lambda job: -self.jobs[job][2])
            futures = {pool.submit(_work, job, *self._job(job)): job for job in order}
            waiting: set[Future[Outcome]] = set(futures)
            while waiting:
                done, waiting = wait(waiting, LOOK_EVERY_S, FIRST_COMPLETED)
                self._leave_off()
                for job, entries in _drained(news):
                    self._told(job, entries)
                for future in done:
                    job = futures[future]
                    self._took(self.jobs[job][0], future.result())
                    self._told(job, self.jobs[job][2])
        finally:
            stop.set()
            pool.shutdown(wait=True, cancel_futures=True)

    def _job(self, job: int) -> tuple[Path, Task, tuple[str, ...]]:
        place, task, _ = self.jobs[job]
        return self.audits[place].path, task, self._pinned

    def _took(self, place: int, outcome: Outcome) -> None:
        self.audits[place].outcome = self.audits[place].outcome.and_also(outcome)

    def _told(self, job: int, entries: int, _of: int = 0) -> None:
        self._leave_off()
        self._done[job] = max(self._done[job], entries)
        if self._show is not None and self._total >= LARGE_ENTRIES:
            self._show(sum(self._done), self._total)

    def _leave_off(self) -> None:
        if self._stopped is not None and self._stopped():
            raise Stopped


def _size(path: Path) -> int:
    with LogbookReader.open(path) as reader:
        return reader.size


def _outcome(
    path: Path, task: Task, drivers: InstalledDrivers, pinned: Sequence[str], told: Callable[[int, int], None]
) -> Outcome:
    """A job's outcome; a logbook that is damaged on the way is one too."""
    try:
        return perform(path, task, drivers, pinned, told)
    except LogbookDamaged as error:
        return Outcome(damage=str(error), damaged_at=error.entry)


def _begin_tracker() -> None:
    """Start what keeps track of locks between processes. It is handed standard error as a file; under an app that is
    none, so it gets none there."""
    with redirect_stderr(StringIO()):
        resource_tracker.ensure_running()


_news: ProcessQueue[tuple[int, int]] | None = None
"""In a worker: where it tells how far it has come."""

_stop: Event | None = None
"""In a worker: set, when nobody waits for it any more."""


def _begin_worker(news: ProcessQueue[tuple[int, int]], stop: Event) -> None:
    global _news, _stop
    _news, _stop = news, stop
    news.cancel_join_thread()  # what is not read of it is of no use


def _work(job: int, path: Path, task: Task, pinned: tuple[str, ...]) -> Outcome:
    """In a worker."""

    def told(done: int, _total: int) -> None:
        if _stop is not None and _stop.is_set():
            raise Stopped
        if _news is not None:
            _news.put((job, done))

    return _outcome(path, task, InstalledDrivers(), pinned, told)


def _drained(news: ProcessQueue[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    with suppress(Empty):
        while True:
            yield news.get_nowait()
