"""The addresses of the review page, behind the guard."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from functools import lru_cache
from http import HTTPStatus
from importlib.resources import files
from pathlib import Path
from threading import Event
from typing import Any, cast

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.responses import JSONResponse as _JSONResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from platebench.core.errors import PlateError, WriteError
from platebench.core.files import UNFINISHED
from platebench.core.plain_json import read_json
from platebench.core.settings import PlateSettings, range_of
from platebench.review.guard import App, Guard
from platebench.review.layers import LAYERS, Layer
from platebench.review.picture_shown import drawn_in_mm
from platebench.review.plate_readings import read_point, read_rectangle
from platebench.review.results import Stamp, is_plain_file, stamp_of
from platebench.review.table import ReviewTable
from platebench.review.tasks import Events, Tasks, Work
from platebench.review.telling import Told, message_of, plate_to_json, session_to_json
from platebench.write.preview import smaller_preview

PAGE = Path(str(files("platebench.review") / "page"))
FONTS = Path(str(files("platebench.write") / "fonts"))
THUMB_SIDES = (240, 480)
_TRIED = {key: range_of(PlateSettings, key) for key in ("print_stops", "print_contrast")}
PREVIEW_SIDES = (64, 4000)
MOST_PAGES = 32  # that listen at the same time
FOR_GOOD = {"cache-control": "private, max-age=31536000, immutable"}
NOT_KEPT = {"cache-control": "no-store"}


class JSONResponse(_JSONResponse):
    """In ASCII: names of files may be any bytes, which UTF-8 cannot hold."""

    def render(self, content: Any) -> bytes:
        """Return the document's bytes."""
        return json.dumps(content, allow_nan=False, separators=(",", ":")).encode()


Maker = Callable[[ReviewTable, dict[str, Any]], Work]


def review_app(
    table: ReviewTable,
    events: Events,
    tasks: Tasks,
    makers: Mapping[str, Maker],
    *,
    token: str,
    hosts: tuple[str, ...],
    entered: Event,
) -> App:
    """Return the guarded application.

    Parameters
    ----------
    table : ReviewTable
        The session.
    events : Events
        What pages are told.
    tasks : Tasks
        Runs the work that pages start.
    makers : mapping of str to callable
        Work that can be started, by the name the page uses; each takes the table and the page's
        wishes and returns the work.
    token : str
        First part of every address.
    hosts : tuple of str
        Host headers that are this server's own.
    entered : Event
        Set by the first request that is let in.
    """
    answers = _Answers(table, events, tasks, makers)
    plate = "/api/plates/{plate_id}"
    routes = [
        Route("/", answers.page),
        Route("/api/session", answers.session),
        Route("/api/events", answers.events),
        Route("/api/edit", answers.edit_many, methods=["POST"]),
        Route("/api/keep", answers.keep, methods=["POST"]),
        Route("/api/undo", answers.undo, methods=["POST"]),
        Route("/api/redo", answers.redo, methods=["POST"]),
        Route("/api/do/{name}", answers.do, methods=["POST"]),
        Route(f"{plate}/thumb.jpg", answers.thumb),
        Route(f"{plate}/preview.jpg", answers.preview),
        Route(f"{plate}/loupe.jpg", answers.loupe),
        Route(f"{plate}/reading", answers.reading),
        Route(f"{plate}/picture", answers.picture),
        Route(f"{plate}/edit", answers.edit, methods=["POST"]),
        Route(plate + "/tiles/{layer}/{version}/{level:int}/{place}.jpg", answers.tile),
        Route(plate, answers.plate),
        Route("/output/{name}", answers.output),
        Route("/made/{number:int}/{name}", answers.made),
        Mount("/page", StaticFiles(directory=PAGE)),
        Mount("/fonts", StaticFiles(directory=FONTS)),
    ]
    app = Starlette(routes=routes, exception_handlers={PlateError: answers.refused})
    return Guard(app, token, hosts, entered)


def event_stream(events: Events) -> Response:
    """Return the stream of what pages are told, for one more page if there is room for it."""
    if events.listening >= MOST_PAGES:
        said = {"error": f"{MOST_PAGES} pages are open already; close some"}
        return JSONResponse(said, HTTPStatus.SERVICE_UNAVAILABLE, headers=NOT_KEPT)
    return StreamingResponse(events.stream(), media_type="text/event-stream", headers=NOT_KEPT)


def begun(tasks: Tasks, name: str, work: Work | None) -> Response:
    """Begin work, unless there is none of the name or other work is still being done."""
    if work is None:
        return _bad("no such work")
    if not tasks.start(name, work):
        said = f"{tasks.running} is still being done; wait for it to end"
        return JSONResponse({"error": said}, HTTPStatus.CONFLICT, headers=NOT_KEPT)
    return JSONResponse({"begun": name}, HTTPStatus.ACCEPTED, headers=NOT_KEPT)


class _Answers:
    """One method an address. Plain methods run in a thread each, so that no one waits for all."""

    def __init__(
        self, table: ReviewTable, events: Events, tasks: Tasks, makers: Mapping[str, Maker]
    ) -> None:
        self._table, self._events, self._tasks, self._makers = table, events, tasks, makers
        self._told = Told()

    def refused(self, _request: Request, error: Exception) -> Response:
        """Answer with an error's sentence: what a person gave cannot be used, or disk trouble."""
        status = HTTPStatus.UNPROCESSABLE_ENTITY
        if isinstance(error, WriteError):
            status = HTTPStatus.INSUFFICIENT_STORAGE
        said = message_of(error, self._table.folder)
        return JSONResponse({"error": said}, status, headers=NOT_KEPT)

    def page(self, _request: Request) -> Response:
        return FileResponse(PAGE / "index.html", headers=NOT_KEPT)

    def session(self, request: Request) -> Response:
        told = session_to_json(self._table) | {
            "running": self._tasks.running,
            "can": sorted(self._makers),
        }
        told = self._told.since(request.query_params.get("since", ""), told)
        return JSONResponse(told, headers=NOT_KEPT)

    async def events(self, _request: Request) -> Response:
        return event_stream(self._events)

    def plate(self, request: Request) -> Response:
        return JSONResponse(plate_to_json(self._table, _plate_id(request)), headers=NOT_KEPT)

    def thumb(self, request: Request) -> Response:
        plate = self._table.plate(_plate_id(request))
        path = self._table.output / "previews" / f"{plate.id}.jpg"
        side = _whole(request, "side", THUMB_SIDES[1])
        if side not in THUMB_SIDES:
            return _bad("side is not known here")
        try:
            data = _thumb(path, side, stamp_of(path))
        except OSError:
            return Response(status_code=HTTPStatus.NOT_FOUND)
        return Response(data, media_type="image/jpeg", headers=FOR_GOOD)

    def preview(self, request: Request) -> Response:
        side = _whole(request, "side", 1000)
        layer = _layer(request.query_params.get("layer", "positive"))
        if layer is None or not PREVIEW_SIDES[0] <= side <= PREVIEW_SIDES[1]:
            return _bad("layer or side is not known here")
        tried = _tried(request.query_params)
        if tried is None:
            return _bad("tone, print_stops or print_contrast cannot be used")
        data = self._table.preview(_plate_id(request), layer, side, tried)
        return Response(data, media_type="image/jpeg", headers=NOT_KEPT)

    def loupe(self, request: Request) -> Response:
        place = _numbers(request.query_params.get("at", ""))
        if len(place) != 2:
            return _bad("give at=row,column")
        data = self._table.loupe(_plate_id(request), place[0], place[1])
        return Response(data, media_type="image/jpeg", headers=NOT_KEPT)

    def tile(self, request: Request) -> Response:
        layer = _layer(request.path_params["layer"])
        column, _, row = request.path_params["place"].partition("_")
        if layer is None or not (column.isdecimal() and row.isdecimal() and len(column + row) < 12):
            return _bad("no such tile")
        plate_id, level = _plate_id(request), request.path_params["level"]
        data = self._table.tile(plate_id, layer, min(level, 64), int(column), int(row))
        if data is None:
            return Response(status_code=HTTPStatus.NOT_FOUND)
        now = self._table.version(plate_id) == request.path_params["version"]
        return Response(data, media_type="image/jpeg", headers=FOR_GOOD if now else NOT_KEPT)

    def reading(self, request: Request) -> Response:
        asked = request.query_params
        layer = _layer(asked.get("layer", "positive"))
        numbers = _numbers(asked.get("box") or asked.get("at") or "")
        if layer is None or len(numbers) != (4 if asked.get("box") else 2):
            return _bad("give a layer, and at=x,y or box=top,left,bottom,right")
        shown = self._table.shown(_plate_id(request))
        if asked.get("box"):
            top, left, bottom, right = numbers
            reading = read_rectangle(shown, layer, (top, left, bottom, right))
        else:
            reading = read_point(shown, layer, numbers[0], numbers[1])
        return JSONResponse({"reading": reading}, headers=NOT_KEPT)

    def picture(self, request: Request) -> Response:
        """Answer with a rectangle drawn on the positive, in mm of the plate."""
        numbers = _numbers(request.query_params.get("box", ""))
        if len(numbers) != 4:
            return _bad("give box=top,left,bottom,right")
        top, left, bottom, right = numbers
        shown = self._table.shown(_plate_id(request))
        box = drawn_in_mm(shown, (top, left, bottom, right))
        if box is None:
            return _bad("the plate's size is not known: set its format or a caliper size first")
        return JSONResponse({"picture_box_mm": box}, headers=NOT_KEPT)

    async def edit(self, request: Request) -> Response:
        wishes = await json_table(request)
        if wishes is None:
            return _bad("send a table of changes as JSON")
        return await self._edited({_plate_id(request): wishes})

    async def edit_many(self, request: Request) -> Response:
        wishes = await json_table(request)
        if not wishes or not all(isinstance(one, dict) for one in wishes.values()):
            return _bad("send a table of changes for each plate as JSON")
        return await self._edited(wishes)

    async def _edited(self, changes: dict[str, dict[str, Any]]) -> Response:
        await run_in_threadpool(self._table.edit_many, changes)
        return self._changed(tuple(changes))

    async def keep(self, request: Request) -> Response:
        wishes = await json_table(request)
        if wishes is None:
            return _bad("send a table of choices as JSON")
        chosen: dict[str, Any] = {
            name: wishes[name] for name in ("ground", "print_size") if name in wishes
        }
        await run_in_threadpool(self._table.kept.keep, chosen)
        return JSONResponse({}, headers=NOT_KEPT)

    def undo(self, _request: Request) -> Response:
        return self._changed(self._table.undo())

    def redo(self, _request: Request) -> Response:
        return self._changed(self._table.redo())

    async def do(self, request: Request) -> Response:
        name, wishes = request.path_params["name"], await json_table(request)
        make = None if wishes is None else self._makers.get(name)
        return begun(self._tasks, name, make and make(self._table, wishes or {}))

    def output(self, request: Request) -> Response:
        name = request.path_params["name"]
        path = self._table.output / name
        listed = path.suffix in (".pdf", ".html", ".png") and not name.startswith((UNFINISHED, "."))
        if not listed or Path(name).name != name or not is_plain_file(path):
            return Response(status_code=HTTPStatus.NOT_FOUND)
        return _file(path)

    def made(self, request: Request) -> Response:
        asked = request.path_params
        path = self._tasks.made.path(asked["number"], asked["name"])
        if path is None:
            return Response(status_code=HTTPStatus.NOT_FOUND)
        return _file(path)

    def _changed(self, plates: tuple[str, ...]) -> Response:
        self._events.tell("changed")
        told: dict[str, Any] = {"plates": plates}
        told["undo"], told["redo"] = self._table.steps
        return JSONResponse(told, headers=NOT_KEPT)


def _file(path: Path) -> Response:
    """Return a file that was made; a page of ours has its styles in it, and no script."""
    if path.suffix != ".html":
        return FileResponse(path, headers=NOT_KEPT)
    from platebench.write.report_page import POLICY

    policy = {"content-security-policy": f"{POLICY}; frame-ancestors 'none'"}
    return FileResponse(path, headers=NOT_KEPT | policy)


def _plate_id(request: Request) -> str:
    return cast(str, request.path_params["plate_id"])


def _layer(name: str) -> Layer | None:
    return cast(Layer, name) if name in LAYERS else None


def _tried(asked: Mapping[str, str]) -> dict[str, Any] | None:
    """Return settings to look at before they are decided on; None where they make no sense."""
    tried: dict[str, Any] = {}
    if "tone" in asked:
        tried["tone"] = asked["tone"]
    for key, (low, high) in _TRIED.items():
        if key in asked:
            numbers = _numbers(asked[key])
            if len(numbers) != 1 or not low <= numbers[0] <= high:
                return None
            tried[key] = numbers[0]
    return tried


def _whole(request: Request, key: str, default: int) -> int:
    text = request.query_params.get(key, "")
    return int(text) if text.isdecimal() and len(text) < 6 else default


def _numbers(text: str) -> list[float]:
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        return []
    return numbers if all(math.isfinite(n) and abs(n) < 1e6 for n in numbers) else []


async def json_table(request: Request) -> dict[str, Any] | None:
    """Return the table that a request has sent; None where it is none."""
    try:
        sent = read_json(await request.body() or b"{}")
    except ValueError:
        return None
    return sent if isinstance(sent, dict) else None


def _bad(text: str) -> Response:
    return JSONResponse({"error": text}, HTTPStatus.BAD_REQUEST, headers=NOT_KEPT)


@lru_cache(maxsize=1024)  # some 20 kB each
def _thumb(path: Path, side: int, _stamp: Stamp) -> bytes:
    """Return a preview as a contact print, made once for as long as the file has its stamp."""
    return smaller_preview(path, side, quality=85)
