"""Who may talk to the table: this machine's own pages that know the token, and nobody else.

The server listens on the loopback address only. That alone would leave it open to any page in the
same browser, by a form or a script, or by a name that is made to point here; so every request must
carry the token in its path, name this address as its host and, where it changes anything, come
from a page that this server gave.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from threading import Event
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LARGEST_BODY = 512 * 1024  # a change of thousands of plates
LARGEST_PATH = 2000
BODY_S = 20.0  # for a whole body, of one who knows the token
POLICY = b"content-security-policy"
# The page holds an empty style element, so that the viewer does not put one of its own there.
EMPTY = b"47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU="  # SHA-256 of nothing
HEADERS = (
    # https://www.w3.org/TR/CSP3/ ; nothing comes from elsewhere, nothing is framed
    (
        POLICY,
        b"default-src 'none'; script-src 'self'; style-src 'self' 'sha256-" + EMPTY + b"'; "
        b"img-src 'self' blob: data:; font-src 'self'; connect-src 'self'; base-uri 'none'; "
        b"form-action 'none'; frame-ancestors 'none'",
    ),
    (b"referrer-policy", b"no-referrer"),  # the address holds the token
    (b"x-content-type-options", b"nosniff"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
)


class Guard:
    """Refuses what may not come in; passes the rest on with the token taken off the path.

    Parameters
    ----------
    app : ASGI application
        What is guarded.
    token : str
        First part of every path.
    hosts : tuple of str
        Host headers that are this server's own, port included.
    entered : Event
        Set by the first request that is let in.
    """

    def __init__(self, app: App, token: str, hosts: tuple[str, ...], entered: Event) -> None:
        self.app, self.token, self.hosts, self.entered = app, token, hosts, entered

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or answer it with a refusal."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        names = [name.lower() for name, _ in scope["headers"]]
        if names.count(b"host") != 1 or names.count(b"origin") > 1:
            await _refuse(send, 400, "name one host")
            return
        headers = {name.lower(): value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal:
            await _refuse(send, *refusal)
            return
        self.entered.set()
        prefix = f"/{self.token}"
        if scope["path"] == prefix:  # the page's own addresses are relative to the slash
            await _refuse(send, 307, "here", (b"location", f"{prefix}/".encode()))
            return
        inner = dict(scope) | {
            "path": scope["path"][len(prefix) :] or "/",
            "root_path": "",
        }
        if scope["method"] == "POST":
            try:
                body = await asyncio.wait_for(_whole_body(receive), BODY_S)
            except TimeoutError:
                await _refuse(send, 408, "the rest of the request did not come")
                return
            if body is None:
                await _refuse(send, 413, "too large")
                return
            receive = _given(body, receive)
        await self.app(inner, receive, _with_headers(send))

    def _refusal(self, scope: Scope, headers: dict[bytes, str]) -> tuple[int, str] | None:
        if headers.get(b"host") not in self.hosts:
            return 421, "refused: this server answers to its own address only"
        if len(scope["path"]) > LARGEST_PATH or len(scope["query_string"]) > LARGEST_PATH:
            return 414, "the address is too long"
        first = scope["path"].split("/", 2)[1] if scope["path"].startswith("/") else ""
        if not secrets.compare_digest(first.encode(), self.token.encode()):
            return 404, "nothing here: open the address that was printed when the review began"
        own = headers.get(b"sec-fetch-site", "same-origin") in ("same-origin", "none")
        if not own and not self._opens_the_page(scope, headers):
            return 403, "refused: the request comes from another site"
        if scope["method"] in ("GET", "HEAD"):
            return None
        if scope["method"] != "POST":
            return 405, "only GET and POST are known here"
        if headers.get(b"origin") not in [f"http://{host}" for host in self.hosts]:
            return 403, "refused: the request comes from another site"
        if headers.get(b"content-type", "").partition(";")[0].strip() != "application/json":
            return 415, "send JSON"
        length = headers.get(b"content-length", "0")
        if not length.isdigit() or int(length) > LARGEST_BODY:
            return 413, "too large"
        return None

    def _opens_the_page(self, scope: Scope, headers: dict[bytes, str]) -> bool:
        """Tell whether a browser opens the page itself, as from the file that led it here."""
        return (
            scope["method"] == "GET"
            and scope["path"] == f"/{self.token}/"
            and headers.get(b"sec-fetch-mode") == "navigate"
            and headers.get(b"sec-fetch-dest") == "document"
        )


async def _whole_body(receive: Receive) -> bytes | None:
    """Return a request's body; None where it is larger than any that is wanted here."""
    body = b""
    while True:
        message = await receive()
        body += bytes(message.get("body", b""))
        if len(body) > LARGEST_BODY:
            return None
        if not message.get("more_body", False):
            return body


def _given(body: bytes, receive: Receive) -> Receive:
    """Return what gives a body that has been read, then what comes after it."""
    first = True

    async def giving() -> Message:
        nonlocal first
        if first:
            first = False
            return {"type": "http.request", "body": body, "more_body": False}
        return await receive()

    return giving


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = list(message.get("headers", []))
            has_policy = any(name.lower() == POLICY for name, _ in own)
            more = [one for one in HEADERS if not (has_policy and one[0] == POLICY)]
            message = {**message, "headers": [*own, *more]}
        await send(message)

    return sending


async def _refuse(send: Send, status: int, text: str, *more: tuple[bytes, bytes]) -> None:
    body = f"{text}\n".encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),  # who is refused holds no connection
        *HEADERS,
        *more,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
