"""Work on other machines: the local pool's seam, with dask.distributed behind it.

The jobs are those of the local pool and so are the results, byte for byte. Before the first job
every worker shows that it is like this machine: the same versions of everything that makes
pictures, the same session under the same name, a folder of results it can write into, and locks
that hold between machines. Workers that come later show it before they get work.

A window of jobs is out at a time, one more than there are workers: where a worker dies, few jobs
are with it. Those it took along are tried again alone.
"""

from __future__ import annotations

import logging
import os
import shutil
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from secrets import token_hex
from threading import Event
from typing import Any, TypeVar
from urllib.parse import urlsplit

from platebench.core.errors import (
    ClusterError,
    ClusterLostError,
    PlateError,
    UnexpectedError,
    WorkerLostError,
)
from platebench.core.files import hash_file, make_folder, read_at_most, write_error
from platebench.core.installed import differing, versions
from platebench.core.locks import let_go, try_to_hold
from platebench.core.plain_json import read_json
from platebench.core.progress import NullProgress, Progress, log_again
from platebench.session import pool
from platebench.session.room import Peak, no_room
from platebench.session.settings_file import FILE_NAME

T = TypeVar("T")
R = TypeVar("R")

CONNECT_S = 30.0
LOOK_S = 1.0  # between looks at which workers there are
NO_WORKERS_S = 120.0  # until a cluster without workers is given up
_LARGEST_FILE = 1 << 16
_HERE = ("127.0.0.1", "localhost", "::1")
_INSTALL = "install it on this machine and every worker: pip install 'platebench[cluster]'"
_TLS = "start scheduler and workers with certificates, and give the address that begins with tls://"


def address_of(named: str) -> str:
    """Return the address of a scheduler, named itself or by the file it has written.

    Raises
    ------
    ClusterError
        If the file is none, or the address is open to anyone on the network: whoever can reach a
        scheduler can run programs on every worker.
    """
    address = named
    if "://" not in named:
        try:
            content = read_at_most(Path(named), _LARGEST_FILE)
            document = read_json(content or b"")
            address = str(document["address"])
        except (OSError, ValueError, LookupError, TypeError) as error:
            what = "is neither the address of a scheduler nor the file of one"
            raise ClusterError(named, what, "give the file that the scheduler writes") from error
    scheme, host = "", None
    with suppress(ValueError):  # no address at all
        parts = urlsplit(address)
        scheme, host = parts.scheme, parts.hostname
    if (scheme == "tls" and host) or (scheme == "tcp" and host in _HERE):  # a try on one machine
        return address
    raise ClusterError(address, "is not protected by TLS", _TLS)


@contextmanager
def on_cluster(named: str, *, session: Path, output: Path | None = None) -> Iterator[None]:
    """Have all work on plates in the block done by the workers of a cluster.

    Parameters
    ----------
    named : str
        Address of the scheduler, or the file it has written. Certificates are those that the
        environment names (``DASK_DISTRIBUTED__COMM__TLS__...``).
    session : Path
        The session folder, absolute: its name is the same on all machines.
    output : Path or None
        The folder of results, absolute; None where workers write nothing.

    Raises
    ------
    ClusterError
        If the scheduler cannot be reached, or a worker is not like this machine.
    ClusterLostError
        If the scheduler is lost on the way. What was finished stays.
    """
    address = address_of(named)
    try:
        import distributed
    except ImportError as error:
        raise ClusterError(address, "needs the library distributed", _INSTALL) from error
    import dask

    try:
        with dask.config.set({"distributed.comm.timeouts.connect": CONNECT_S}):
            client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError, TypeError, RuntimeError) as error:
        what = f"cannot be reached ({' '.join(str(error).split()) or type(error).__name__})"
        raise ClusterError(
            address, what, "look whether the scheduler runs, and at names"
        ) from error
    engine = _Engine(client, address, session, output)
    with _client_silent():
        try:
            with pool.elsewhere(engine):
                yield
        finally:
            with suppress(OSError, RuntimeError, TimeoutError):
                client.close(timeout=5)


@contextmanager
def _client_silent() -> Iterator[None]:
    """Keep the library's client from printing tracebacks: what befalls it is an error of ours."""
    logger = logging.getLogger("distributed.client")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logger.setLevel(level)


@dataclass(eq=False)
class _Engine:
    """Does what the local pool does, elsewhere."""

    client: Any
    address: str
    session: Path
    output: Path | None
    _fit: dict[str, int | None] = field(default_factory=dict)  # workers, and what each may take
    _ended: Event = field(default_factory=Event)

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
        """As :func:`platebench.session.pool.run_all`."""
        progress = progress or NullProgress()
        if not items:
            return []
        workers = self._workers()
        results: dict[int, R | PlateError] = {}
        if peak is not None:
            limits = [limit for limit in self._fit.values() if limit]
            for place, item in enumerate(items):
                refused = no_room(peak(item), min(limits)) if limits else None
                if refused is not None:
                    results[place] = refused
        todo = [place for place in range(len(items)) if place not in results]
        progress.begin(what, len(items), at_once=len(workers))
        try:
            lost = self._window(task, items, todo, results, name_of, progress)
            if lost:
                progress.note(f"a worker was lost; trying {len(lost)} again, one at a time")
            for place in lost:
                if self._window(task, items, [place], results, name_of, progress):
                    results[place] = WorkerLostError(name_of(items[place]))
                    progress.advance(name_of(items[place]))
        finally:
            progress.end()
        return [results[place] for place in range(len(items))]

    def _window(
        self,
        task: Callable[[T], R],
        items: Sequence[T],
        todo: Sequence[int],
        results: dict[int, R | PlateError],
        name_of: Callable[[T], str],
        progress: Progress,
    ) -> list[int]:
        """Work on some items, a few out at a time; return those whose workers died."""
        waiting, lost = list(reversed(todo)), []
        out: dict[Any, tuple[int, frozenset[str]]] = {}
        try:
            while waiting or out:
                workers = self._workers()
                for future, (place, might) in list(out.items()):
                    if not might & workers:  # all that it might run on are gone
                        future.cancel(force=True)
                        del out[future]
                        waiting.append(place)
                while waiting and len(out) <= len(workers):
                    place = waiting.pop()
                    out[self._submit(task, items[place], name_of, workers)] = place, workers
                for future in self._finished(out):
                    place, _ = out.pop(future)
                    ended = self._result_of(future, name_of(items[place]))
                    if ended is None:
                        lost.append(place)
                        continue
                    results[place] = ended
                    progress.advance(name_of(items[place]))
        except KeyboardInterrupt:
            progress.note("stopping after the work in hand; interrupt again to stop at once")
            while any(not future.done() for future in out):
                time.sleep(0.1)
            raise
        finally:
            for future in out:
                with suppress(Exception):  # a client that lost its scheduler refuses in many ways
                    future.cancel(force=True)
        return sorted(lost)

    def _submit(
        self,
        task: Callable[[T], R],
        item: T,
        name_of: Callable[[T], str],
        workers: frozenset[str],
    ) -> Any:
        future = self.client.submit(
            pool.guarded_there,
            task,
            item,
            name_of(item),
            pool.telling(),
            workers=sorted(workers),
            allow_other_workers=False,
            pure=False,
            key=f"platebench-{token_hex(8)}",
        )
        future.add_done_callback(lambda _: self._ended.set())
        return future

    def _finished(self, out: dict[Any, tuple[int, frozenset[str]]]) -> list[Any]:
        """Return what has ended, having waited a moment for it."""
        self._ended.wait(LOOK_S)
        self._ended.clear()
        self._still_there()
        return [future for future in out if future.done()]

    def _result_of(self, future: Any, name: str) -> Any | None:
        """Return what a job gave, or an error in its place; None where its worker died."""
        from distributed import KilledWorker

        if future.status == "cancelled":  # by the scheduler's end
            self._lost()
        if future.status == "finished":
            try:
                value, lines = future.result(timeout=CONNECT_S)
            except (OSError, TimeoutError, RuntimeError):  # with the worker that held it
                self._still_there()
                return None
            log_again(lines)
            return value
        error = future.exception(timeout=CONNECT_S)
        if isinstance(error, KilledWorker):
            return None
        return UnexpectedError(name, " ".join(f"{type(error).__name__}: {error}".split()), "")

    def _still_there(self) -> None:
        if self.client.status != "running":
            self._lost()

    def _lost(self) -> None:
        remedy = "start it and run again: what is finished stays, the rest is done then"
        raise ClusterLostError(self.address, "was lost", remedy)

    def _workers(self) -> frozenset[str]:
        """Return the workers that there are and that are like this machine."""
        end = time.monotonic() + NO_WORKERS_S
        while True:
            self._still_there()
            try:
                known = self.client.scheduler_info(n_workers=-1)["workers"]
            except (OSError, TimeoutError, RuntimeError):
                self._lost()
            new = [address for address in known if address not in self._fit]
            if new:
                self._examine(new, known)
            there = frozenset(known) & self._fit.keys()
            if there:
                return there
            if time.monotonic() > end:
                remedy = "start workers, and look at what they say"
                raise ClusterError(self.address, "has no workers", remedy)
            time.sleep(LOOK_S)

    def _examine(self, new: Sequence[str], known: dict[str, Any]) -> None:
        """Refuse workers that would not give the same results, or cannot see the same folders."""
        with ExitStack() as undo:
            token, place = token_hex(16), None
            if self.output is not None:
                make_folder(self.output)
                place = self.output / f".cluster-{token_hex(4)}"
                undo.callback(_remove, place)
                try:
                    place.mkdir()
                    (place / "token").write_text(token, encoding="utf-8")
                    held = try_to_hold(place / "lock")
                except OSError as error:
                    raise write_error(self.output, error) from error
                if held is not None:
                    undo.callback(let_go, place / "lock", held)
            told = self.client.run(
                facts_of_worker, str(self.session), None if place is None else str(place),
                workers=list(new), on_error="return",
            )  # fmt: skip
            for address in new:
                facts = told.get(address)
                if isinstance(facts, BaseException) and isinstance(facts, OSError):
                    continue  # gone already
                what, remedy = self._fault_of(facts, known[address], token, place)
                if what:
                    raise ClusterError(address, what, remedy)
                self._fit[address] = known[address].get("memory_limit") or None

    def _fault_of(
        self, facts: Any, known: dict[str, Any], token: str, place: Path | None
    ) -> tuple[str, str]:
        """Return what is wrong with a worker and what to do; "" where it can be used."""
        if not isinstance(facts, dict):
            said = " ".join(str(facts).split())
            return f"cannot do this work ({said})", _INSTALL
        if odd := differing(versions(), facts["versions"]):
            return f"has other versions ({', '.join(odd)})", "install the same versions everywhere"
        if known.get("nthreads") != 1:
            return "works with several threads", "start it with one thread"
        if facts["session"] != _digest(self.session / FILE_NAME):
            remedy = "mount the session's folder there under the same name"
            return f"does not see {self.session} as it is here", remedy
        if place is None:
            return "", ""
        if facts["token"] != token:
            remedy = "mount the folder of results there under the same name"
            return f"does not see {self.output} as it is here", remedy
        if facts["written"] is not None or not (place / facts["name"]).is_file():
            said = facts["written"] or "what it writes is not seen here"
            return f"cannot write into {self.output} ({said})", "look at its user and permissions"
        if not facts["locked"]:
            remedy = "use a disk whose locks hold between machines, or run on one machine"
            return f"does not see locks in {self.output}", remedy
        return "", ""


def facts_of_worker(session: str, place: str | None) -> dict[str, Any]:
    """Return what a worker is and sees; runs on the worker.

    Parameters
    ----------
    session : str
        The session folder.
    place : str or None
        A folder among the results with a token and a lock that is held elsewhere.
    """
    facts: dict[str, Any] = {"versions": versions(), "session": _digest(Path(session) / FILE_NAME)}
    if place is None:
        return facts
    within = Path(place)
    facts |= {"token": "", "written": None, "locked": False}
    facts["name"] = f"from-{socket.gethostname()}-{os.getpid()}"
    try:
        facts["token"] = (within / "token").read_text(encoding="utf-8")
        (within / facts["name"]).write_bytes(b"platebench")
    except OSError as error:
        facts["written"] = error.strerror or str(error)
        return facts
    try:
        held = try_to_hold(within / "lock")
    except OSError:
        return facts
    facts["locked"] = held is None  # the one that asks holds it
    if held is not None:
        os.close(held)
    return facts


def _digest(path: Path) -> str:
    try:
        return hash_file(path)
    except OSError:
        return ""


def _remove(place: Path) -> None:
    shutil.rmtree(place, ignore_errors=True)
