"""Start the review page: a server on this machine's own address, for this machine's browser."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Thread

import uvicorn

from platebench.core.errors import PortTakenError, WriteError
from platebench.core.memory import available_bytes
from platebench.review.app import review_app
from platebench.review.door import AT_A_TIME, QUEUE, connections, few_messages
from platebench.review.guard import App
from platebench.review.makers import MAKERS
from platebench.review.table import ReviewTable
from platebench.review.tasks import Events, Tasks
from platebench.review.watching import DiskWatch, on_ready

LOOPBACK = "127.0.0.1"
SHARE_OF_MEMORY = 0.25  # of what is free, for plates held at full size
LEAST_MEMORY, MOST_MEMORY = 256 << 20, 2 << 30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Review:
    """A table about to be served.

    Attributes
    ----------
    app : ASGI application
    address : str
        What the browser opens; it holds the token.
    entered : Event
        Set when somebody has come to the address, or the server ends.
    """

    app: App
    address: str
    entered: Event
    events: Events
    watch: DiskWatch | None
    listening: socket.socket


def open_table(
    folder: Path,
    *,
    output: Path | None = None,
    port: int = 0,
    memory: int | None = None,
    user_folder: Path | None = None,
    front: str = "",
) -> Review:
    """Prepare the table of a session, listening but not yet answering.

    Parameters
    ----------
    folder : Path
        The session folder.
    output : Path or None
        Folder of results; None: ``converted`` in the session folder.
    port : int
        Port on the loopback address; 0 takes a free one.
    memory : int or None
        Bytes for plates held at full size; None: a quarter of what is free.
    user_folder : Path or None
        Where a person keeps process profiles of their own.
    front : str
        Address of the page this one is opened from.

    Raises
    ------
    SettingsError, SessionFolderError
        If there is no session there.
    PortTakenError
        If the port cannot be had.
    """
    limit = memory or int(min(max(available_bytes() * SHARE_OF_MEMORY, LEAST_MEMORY), MOST_MEMORY))
    table = ReviewTable(
        folder, output=output, memory_bytes=limit, user_folder=user_folder, front=front
    )
    if user_folder is not None:
        with suppress(WriteError):  # only a convenience
            table.kept.note_session(folder)
    place = new_place(port)
    events = Events()
    table.when_ready = on_ready(events)
    entered = Event()
    app = review_app(
        table,
        events,
        Tasks(events),
        MAKERS,
        token=place.token,
        hosts=place.hosts,
        entered=entered,
    )
    return Review(
        app=app,
        address=place.address,
        entered=entered,
        events=events,
        watch=DiskWatch(table, events),
        listening=place.listening,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """Where a page is served: a socket of this machine's own, and a token nobody can guess."""

    listening: socket.socket
    port: int
    token: str

    @property
    def address(self) -> str:
        """What the browser opens."""
        return f"http://{LOOPBACK}:{self.port}/{self.token}/"

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names that this place goes by."""
        return f"{LOOPBACK}:{self.port}", f"localhost:{self.port}"


def new_place(port: int) -> Place:
    """Return a place on a port of this machine; 0 takes a free one.

    Raises
    ------
    PortTakenError
        If the port cannot be had.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((LOOPBACK, port))
    except OSError as error:
        listening.close()
        raise PortTakenError(port) from error
    port = listening.getsockname()[1]
    return Place(listening=listening, port=port, token=secrets.token_urlsafe(24))


def serve(review: Review, when_up: Callable[[str], None]) -> None:
    """Answer until interrupted; ``when_up`` is told the address once answers come.

    Raises
    ------
    KeyboardInterrupt
        When a person ends it.
    """

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            review.listening.listen(QUEUE)
            if self.started:
                when_up(review.address)

        def handle_exit(self, sig: int, frame: object) -> None:
            review.events.close()
            super().handle_exit(sig, frame)  # type: ignore[arg-type]

    if review.watch is not None:
        review.watch.start()
    try:
        with few_messages():
            Server(server_config(review)).run(sockets=[review.listening])
    finally:
        review.entered.set()
        if review.watch is not None:
            review.watch.stop()
        review.listening.close()


class Aside:
    """A page served beside another, from a thread of its own, until it is closed."""

    def __init__(self, review: Review) -> None:
        self._review, self.address = review, review.address
        self._server = uvicorn.Server(server_config(review))
        listening = {"sockets": [review.listening]}
        self._thread = Thread(target=self._server.run, kwargs=listening, daemon=True)
        self._thread.start()
        if review.watch is not None:
            review.watch.start()

    def close(self) -> None:
        """End the server and what it has open."""
        if self._review.watch is not None:
            self._review.watch.stop()
        self._review.events.close()
        self._server.should_exit = True
        self._thread.join(timeout=5)
        self._review.listening.close()


def server_config(review: Review) -> uvicorn.Config:
    """Return how a table is served."""
    return uvicorn.Config(
        review.app,
        http=connections(),  # type: ignore[arg-type]  # called, as a class would be
        backlog=AT_A_TIME,
        log_config=None,
        access_log=False,
        server_header=False,
        lifespan="off",
        ws="none",
        timeout_graceful_shutdown=2,
    )
