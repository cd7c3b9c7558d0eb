"""A review table that really listens, for tests."""

from __future__ import annotations

import http.client
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import uvicorn

from platebench.review.serve import Review, open_table, server_config

from ..processes import PATIENCE_S, wait_until


@dataclass
class Served:
    """An address to talk to."""

    review: Review
    server: uvicorn.Server

    @property
    def base(self) -> str:
        return urlsplit(self.review.address).path

    @property
    def host(self) -> str:
        return urlsplit(self.review.address).netloc

    def send(
        self,
        path: str,
        *,
        method: str = "GET",
        headers: dict[str, str] | None = None,
        body: bytes | None = None,
    ) -> tuple[int, dict[str, str], bytes]:
        """Send a request exactly as given (but for Host, where none is) and return the answer."""
        connection = http.client.HTTPConnection(self.host, timeout=PATIENCE_S)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        all_headers = {"Host": self.host} | (headers or {})
        if body is not None and "Content-Length" not in all_headers:
            all_headers["Content-Length"] = str(len(body))
        for name, value in all_headers.items():
            connection.putheader(name, value)
        connection.endheaders()
        if body is not None:
            connection.send(body)
        answer = connection.getresponse()
        content = answer.read()
        connection.close()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, content

    def get(self, path: str) -> tuple[int, dict[str, str], bytes]:
        return self.send(self.base + path)

    def json(self, path: str) -> Any:
        status, _, content = self.get(path)
        assert status == 200, content
        return json.loads(content)

    def post(
        self, path: str, wishes: Any = None, **headers: str
    ) -> tuple[int, dict[str, str], bytes]:
        """Post as the page itself does."""
        own = {"Origin": f"http://{self.host}", "Content-Type": "application/json"}
        body = json.dumps({} if wishes is None else wishes).encode()
        return self.send(self.base + path, method="POST", headers=own | headers, body=body)

    def plate(self, plate_id: str) -> str:
        return f"api/plates/{quote(plate_id, safe='')}"


@contextmanager
def served(folder: Path, **options: Any) -> Iterator[Served]:
    """Serve a session's table until the block ends."""
    review = open_table(folder, **options)
    server = uvicorn.Server(server_config(review))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [review.listening]})
    thread.start()
    try:
        wait_until(lambda: server.started)
        review.watch.start()
        yield Served(review, server)
    finally:
        # A server takes a fifth of a second to end; nobody need wait for it.
        threading.Thread(target=_end, args=(review, server, thread)).start()


def _end(review: Review, server: uvicorn.Server, thread: threading.Thread) -> None:
    review.watch.stop()
    review.events.close()
    server.should_exit = True
    thread.join(timeout=PATIENCE_S)
    review.listening.close()
