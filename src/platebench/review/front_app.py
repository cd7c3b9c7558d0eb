"""The addresses of the page's front, behind the same guard, and its server."""

from __future__ import annotations

from http import HTTPStatus
from pathlib import Path
from threading import Event

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from platebench.core.errors import PlateError
from platebench.review.app import (
    FONTS,
    NOT_KEPT,
    PAGE,
    JSONResponse,
    begun,
    event_stream,
    json_table,
)
from platebench.review.front import Front, work_of
from platebench.review.guard import App, Guard
from platebench.review.serve import Review, new_place
from platebench.review.tasks import Events, Tasks
from platebench.review.telling import message_of


def open_front(user_folder: Path | None, *, port: int = 0) -> tuple[Front, Review]:
    """Prepare the front, listening but not yet answering.

    Raises
    ------
    PortTakenError
        If the port cannot be had.
    """
    front, events = Front(user_folder), Events()
    place = new_place(port)
    entered = Event()
    app = front_app(
        front, events, Tasks(events), token=place.token, hosts=place.hosts, entered=entered
    )
    front.address = place.address
    review = Review(
        app=app,
        address=place.address,
        entered=entered,
        events=events,
        watch=None,
        listening=place.listening,
    )
    return front, review


def front_app(
    front: Front,
    events: Events,
    tasks: Tasks,
    *,
    token: str,
    hosts: tuple[str, ...],
    entered: Event,
) -> App:
    """Return the guarded application of the front; parameters as of `review_app`."""
    answers = _FrontAnswers(front, events, tasks)
    routes = [
        Route("/", answers.page),
        Route("/api/front", answers.front),
        Route("/api/events", answers.events),
        Route("/api/folder", answers.folder, methods=["POST"]),
        Route("/api/open", answers.open, methods=["POST"]),
        Route("/api/stop", answers.stop, methods=["POST"]),
        Route("/api/taken/{plate_id}.jpg", answers.taken),
        Route("/api/do/{name}", answers.do, methods=["POST"]),
        Mount("/page", StaticFiles(directory=PAGE)),
        Mount("/fonts", StaticFiles(directory=FONTS)),
    ]
    app = Starlette(routes=routes, exception_handlers={PlateError: _refused})
    return Guard(app, token, hosts, entered)


class _FrontAnswers:
    """One method an address of the front."""

    def __init__(self, front: Front, events: Events, tasks: Tasks) -> None:
        self._front, self._events, self._tasks = front, events, tasks

    def page(self, _request: Request) -> Response:
        return FileResponse(PAGE / "front.html", headers=NOT_KEPT)

    def front(self, _request: Request) -> Response:
        ground = self._front.kept.said["ground"]
        told = {"lately": self._front.lately(), "ground": ground, "running": self._tasks.running}
        told["watched"] = str(self._front.watched or "")
        return JSONResponse(told, headers=NOT_KEPT)

    async def events(self, _request: Request) -> Response:
        return event_stream(self._events)

    async def folder(self, request: Request) -> Response:
        name = await _named(request)
        told = await run_in_threadpool(self._front.folder, name)
        return JSONResponse(told, headers=NOT_KEPT)

    async def open(self, request: Request) -> Response:
        address = await run_in_threadpool(self._front.open, await _named(request))
        return JSONResponse({"address": address}, headers=NOT_KEPT)

    def stop(self, _request: Request) -> Response:
        self._front.stop.set()
        return JSONResponse({}, headers=NOT_KEPT)

    def taken(self, request: Request) -> Response:
        path = self._front.taken(request.path_params["plate_id"])
        if path is None:
            return Response(status_code=HTTPStatus.NOT_FOUND)
        return FileResponse(path, headers=NOT_KEPT)

    async def do(self, request: Request) -> Response:
        name = request.path_params["name"]
        folder = await _named(request)
        if name == "watch" and self._tasks.running is None:
            return begun(self._tasks, name, self._front.watch(folder, self._events))
        work = None if name == "watch" else work_of(name, folder)
        return begun(self._tasks, name, work)


async def _named(request: Request) -> str:
    """Return the folder that a request names."""
    wishes = await json_table(request) or {}
    return str(wishes.get("folder", ""))


def _refused(_request: Request, error: Exception) -> Response:
    return JSONResponse(
        {"error": message_of(error)}, HTTPStatus.UNPROCESSABLE_ENTITY, headers=NOT_KEPT
    )
