"""The same work on many things in several processes; one failure never stops the rest.

Processes are spawned, on every system alike: nothing of the parent's state (threads, open
files, warm caches) is copied into a worker.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol, TypeAlias, TypeVar

from platebench.core.errors import OutOfMemoryError, PlateError, UnexpectedError, WorkerLostError
from platebench.core.memory import available_bytes, workers_for
from platebench.core.progress import LOG, Kept, NullProgress, Progress, log_again, work_on
from platebench.session.room import Peak, no_room

T = TypeVar("T")
R = TypeVar("R")
_Sent: TypeAlias = "tuple[R | PlateError, list[tuple[str, int, str]]]"


class Engine(Protocol):
    """Works on many things somewhere else; the arguments are those of :func:`run_all`."""

    def run_all(
        self,
        task: Callable[[T], R],
        items: Sequence[T],
        *,
        name_of: Callable[[T], str],
        what: str = "",
        progress: Progress | None = None,
        peak: Callable[[T], Peak] | None = None,
    ) -> list[R | PlateError]:
        """Return what ``task`` makes of each item."""


_engine: ContextVar[Engine | None] = ContextVar("engine", default=None)


@contextmanager
def elsewhere(engine: Engine) -> Iterator[None]:
    """Have everything in the block that runs in the pool done by an engine instead."""
    token = _engine.set(engine)
    try:
        yield
    finally:
        _engine.reset(token)


_CV2_NO_MEMORY = -4  # cv2.Error.StsNoMem, compared by number so that cv2 stays unloaded here
_THREAD_LIMITS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def run_all(
    task: Callable[[T], R],
    items: Sequence[T],
    *,
    name_of: Callable[[T], str],
    workers: int = 1,
    what: str = "",
    progress: Progress | None = None,
    peak: Callable[[T], Peak] | None = None,
    memory: int | None = None,
) -> list[R | PlateError]:
    """Return what ``task`` makes of each item, in the order of ``items``.

    Parameters
    ----------
    task : callable
        Importable by name (a module's function, or a ``functools.partial`` of one), because it
        is sent to other processes.
    items : sequence
        What to work on; must pickle.
    name_of : callable
        Name of an item, for messages.
    workers : int
        Processes at most; 1 works in this one.
    what : str
        Name of the work, for ``progress``.
    progress : Progress or None
        Told of each item done.
    peak : callable or None
        What an item takes of memory at its peak, of which there are no more workers than fit.
        None: nothing to speak of.
    memory : int or None
        Bytes that may be taken; None: most of what is available.

    Returns
    -------
    list
        For each item its result, or the error that took its place: the PlateError that the task
        raised, CaptureError for what does not fit into memory, OutOfMemoryError, UnexpectedError
        with a traceback, or WorkerLostError when two processes died over it, alone.

    Raises
    ------
    KeyboardInterrupt
        Once the items in hand are finished; those not yet begun are dropped. Interrupted again,
        the workers are stopped at once.
    """
    if (engine := _engine.get()) is not None:
        return engine.run_all(task, items, name_of=name_of, what=what, progress=progress, peak=peak)
    if peak is not None:
        memory = memory or available_bytes()
        peaks = [peak(item) for item in items]
        refused = [no_room(known, memory) for known in peaks]
        fitting = [place for place, error in enumerate(refused) if error is None]
        most = max((peaks[place].bytes for place in fitting), default=0)
        done = run_all(
            task,
            [items[place] for place in fitting],
            name_of=name_of,
            workers=workers_for(workers, memory, most),
            what=what,
            progress=progress,
        )
        by_place = dict(zip(fitting, done, strict=True))
        return [error or by_place[place] for place, error in enumerate(refused)]
    progress = progress or NullProgress()
    workers = min(workers, len(items))
    progress.begin(what, len(items), at_once=max(workers, 1))
    try:
        if workers <= 1:
            return _run_here(task, items, name_of, progress)
        return _run_in_pool(task, items, name_of, workers, progress)
    finally:
        progress.end()


def _run_here(
    task: Callable[[T], R], items: Sequence[T], name_of: Callable[[T], str], progress: Progress
) -> list[R | PlateError]:
    results: list[R | PlateError] = []
    for item in items:
        results.append(_guarded(task, item, name_of(item)))
        progress.advance(name_of(item))
    return results


def _run_in_pool(
    task: Callable[[T], R],
    items: Sequence[T],
    name_of: Callable[[T], str],
    workers: int,
    progress: Progress,
) -> list[R | PlateError]:
    results: dict[int, R | PlateError] = {}
    lost: list[int] = []
    with _pool(workers, progress) as pool:
        with _interrupts_ignored():  # children inherit it, so Ctrl-C never hits a starting worker
            pending: dict[Future[_Sent[R]], int] = {
                pool.submit(guarded_there, task, item, name_of(item), telling()): place
                for place, item in enumerate(items)
            }
        for future in as_completed(pending):
            place = pending[future]
            try:
                results[place] = _result_of(future, name_of(items[place]))
            except BrokenProcessPool:
                lost.append(place)
                continue
            progress.advance(name_of(items[place]))
    if lost:
        progress.note(f"a worker was lost; trying {len(lost)} again, one at a time")
    for place in sorted(lost):
        results[place] = _run_alone(task, items[place], name_of(items[place]), progress)
        progress.advance(name_of(items[place]))
    return [results[place] for place in range(len(items))]


def _run_alone(task: Callable[[T], R], item: T, name: str, progress: Progress) -> R | PlateError:
    """Try twice: the pool broke for all alike, so nobody knows yet whose process it was."""
    for _ in range(2):
        with _pool(1, progress) as pool:
            with _interrupts_ignored():
                future = pool.submit(guarded_there, task, item, name, telling())
            try:
                return _result_of(future, name)
            except BrokenProcessPool:
                continue
    return WorkerLostError(name)


def _result_of(future: Future[_Sent[R]], name: str) -> R | PlateError:
    """Return the value of a finished future; BrokenProcessPool passes through."""
    error = future.exception()
    if error is None:
        value, lines = future.result()
        log_again(lines)
        return value
    if isinstance(error, BrokenProcessPool):
        raise error
    if not isinstance(error, Exception):
        raise error
    trace = "".join(traceback.format_exception(error))  # the result could not be sent back
    return UnexpectedError(name, _one_line(error), trace)


@contextmanager
def _pool(workers: int, progress: Progress) -> Iterator[ProcessPoolExecutor]:
    pool = ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=_prepare_worker
    )
    threads_before = set(threading.enumerate())
    try:
        yield pool
    except BaseException as error:
        pool.shutdown(wait=False, cancel_futures=True)
        if isinstance(error, KeyboardInterrupt):
            progress.note("stopping after the work in hand; interrupt again to stop at once")
        _wait_for_workers(set(threading.enumerate()) - threads_before)
        raise
    else:
        pool.shutdown(wait=True)


def _wait_for_workers(pool_threads: set[threading.Thread]) -> None:
    """Wait until the workers have ended; interrupted, end them.

    The pool's own thread is waited for as well: if it were left running, it and the
    interpreter's end would meet over closed pipes.
    """
    try:
        for child in multiprocessing.active_children():
            child.join()
    except KeyboardInterrupt:
        with _interrupts_ignored(), _threads_silenced():
            for child in multiprocessing.active_children():
                child.terminate()
            _join(pool_threads)
        raise
    _join(pool_threads)


def _join(threads: set[threading.Thread]) -> None:
    for thread in threads:
        thread.join(timeout=10)


@contextmanager
def _threads_silenced() -> Iterator[None]:
    before = threading.excepthook
    threading.excepthook = lambda _: None
    try:
        yield
    finally:
        threading.excepthook = before


def _prepare_worker() -> None:
    """Ignore Ctrl-C (the parent decides), end when it ends, and keep to one thread."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    for name in _THREAD_LIMITS:
        os.environ.setdefault(name, "1")
    import cv2

    cv2.setNumThreads(1)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)  # killed, it could not say so; waiting for its work would last for ever


@contextmanager
def _interrupts_ignored() -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def telling() -> bool:
    """Tell whether anybody reads what is logged: workers ask before they keep it."""
    return LOG.isEnabledFor(logging.INFO)


def guarded_there(task: Callable[[T], R], item: T, name: str, tell: bool) -> _Sent[R]:
    """Work in a worker; what it logs goes back with the result, since a queue can be lost."""
    if not tell:
        return _guarded(task, item, name), []
    kept, root = Kept(), logging.getLogger()
    root.addHandler(kept)
    root.setLevel(logging.INFO)
    logging.captureWarnings(True)
    try:
        return _guarded(task, item, name), kept.lines
    finally:
        root.removeHandler(kept)


def _guarded(task: Callable[[T], R], item: T, name: str) -> R | PlateError:
    try:
        with work_on(name):
            return task(item)
    except PlateError as error:
        return error
    except MemoryError:
        return OutOfMemoryError(name)
    except Exception as error:
        if getattr(error, "code", None) == _CV2_NO_MEMORY:
            return OutOfMemoryError(name)
        return UnexpectedError(name, _one_line(error), traceback.format_exc())


def _one_line(error: BaseException) -> str:
    text = " ".join(f"{type(error).__name__}: {error}".split())
    return text if len(text) <= 200 else text[:197] + "..."
