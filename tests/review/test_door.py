"""Connections that say nothing or too little: bounded in number, time and words."""

from __future__ import annotations

import http.client
import json
import logging
import socket
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from platebench.review import door, guard

from ..processes import PATIENCE_S, command, environment, wait_until
from .served import Served, served

MANY = 2000
HALF = b"GET / HTTP/1.1\r\nHost: "


@contextmanager
def files_allowed(count: int) -> Iterator[None]:
    """Let this process open so many files; skip where it may not."""
    resource = pytest.importorskip("resource", reason="limits of POSIX")
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < count:
        pytest.skip(f"this process may open {hard} files")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, count), hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@contextmanager
def running(session: Path, errors: Path, *, files: int) -> Iterator[tuple[str, str]]:
    """Run ``platebench review`` with so many files at most; yield its host and first path."""
    review = command("review", session, "--no-browser", "--json")
    limited = ["sh", "-c", f'ulimit -n {files}; exec "$@"', "sh", *review]
    with errors.open("wb") as stderr:
        process = subprocess.Popen(
            limited, stdout=subprocess.PIPE, stderr=stderr, encoding="utf-8", env=environment()
        )
    try:
        assert process.stdout is not None
        said = ""
        while not said.rstrip().endswith("}"):
            said += process.stdout.readline()
        address = urlsplit(json.loads(said)["address"])
        yield address.netloc, address.path
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


def connect(host: str) -> socket.socket:
    name, _, port = host.partition(":")
    return socket.create_connection((name, int(port)), timeout=PATIENCE_S)


def is_closed(connection: socket.socket) -> bool:
    """Tell whether the other end closes it without a word; waits for that."""
    try:
        return connection.recv(1) == b""
    except ConnectionError:
        return True


@pytest.mark.big
def test_the_page_can_be_used_beside_thousands_of_half_open_connections(
    session: Path, tmp_path: Path
) -> None:
    """256 files is what a terminal of macOS allows (from memory); one request, then another."""
    errors = tmp_path / "errors.txt"
    with (
        files_allowed(MANY + 300),
        running(session, errors, files=256) as (host, path),
        ExitStack() as stack,
    ):
        own = http.client.HTTPConnection(host, timeout=PATIENCE_S)
        stack.callback(own.close)
        for number in range(MANY):
            half = stack.enter_context(connect(host))
            try:
                half.sendall((b"", HALF, b"\x16\x03\x01", b"POST / HTTP/1.1\r\n")[number % 4])
            except ConnectionError:
                continue  # put out already
            if number % 500 == 250:
                own.request("GET", path + "api/session")
                answer = own.getresponse()
                assert answer.status == 200 and json.loads(answer.read())["plates"]
        late = http.client.HTTPConnection(host, timeout=PATIENCE_S)
        stack.callback(late.close)
        late.request("GET", path)
        assert late.getresponse().status == 200
    assert errors.stat().st_size < 5000


def test_the_newest_connection_is_not_the_one_to_go(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(door, "MOST_WAITING", 3)
    with served(session) as table, ExitStack() as stack:
        waiting = [stack.enter_context(connect(table.host)) for _ in range(4)]
        assert is_closed(waiting[0])
        waiting[-1].sendall(HALF + f"{table.host}\r\n\r\n".encode())
        assert waiting[-1].recv(12) == b"HTTP/1.1 404"


@pytest.mark.parametrize("sent", [b"", HALF, b"POST / HTTP/1.1\r\n"])
def test_who_does_not_finish_a_request_is_put_out(
    session: Path, monkeypatch: pytest.MonkeyPatch, sent: bytes
) -> None:
    monkeypatch.setattr(door, "HEAD_S", 0.1)
    with served(session) as table, connect(table.host) as slow:
        slow.sendall(sent)
        assert is_closed(slow)
        assert table.get("")[0] == 200


def test_nor_does_it_help_to_have_finished_one_before(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(door, "HEAD_S", 0.3)
    with served(session) as table, connect(table.host) as slow:
        head = f"GET {table.base} HTTP/1.1\r\nHost: {table.host}\r\n\r\n".encode()
        slow.sendall(head + HALF)
        answer = b""
        while more := slow.recv(65536):
            answer += more
        assert answer.startswith(b"HTTP/1.1 200") and answer.endswith(b"</html>\n")


def test_a_body_that_does_not_come_ends_the_connection(
    table: Served, session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.1)
    before = (session / "session.toml").read_bytes()
    head = (
        f"POST {table.base}{table.plate('wide')}/edit HTTP/1.1\r\nHost: {table.host}\r\n"
        f"Origin: http://{table.host}\r\nContent-Type: application/json\r\n"
        'Content-Length: 14\r\n\r\n{"rot'
    )
    with connect(table.host) as slow:
        slow.sendall(head.encode())
        answer = b""
        while more := slow.recv(65536):
            answer += more
    assert answer.startswith(b"HTTP/1.1 408")  # RFC 9110, 15.5.9
    assert (session / "session.toml").read_bytes() == before


def test_who_is_refused_holds_no_connection(table: Served) -> None:
    with connect(table.host) as stranger:
        stranger.sendall(HALF + f"{table.host}\r\nContent-Length: 9\r\n\r\n".encode())
        answer = b""
        while more := stranger.recv(65536):
            answer += more
    assert answer.startswith(b"HTTP/1.1 404") and b"connection: close" in answer.lower()


def test_few_messages_come_out(caplog: pytest.LogCaptureFixture) -> None:
    with door.few_messages():
        for number in range(1000):
            logging.getLogger("uvicorn.error").warning("Invalid request %d", number)
            logging.getLogger("asyncio").error("accept %d", number, exc_info=OSError("full"))
    assert len(caplog.records) == door.MOST_MESSAGES
    assert caplog.records[0].getMessage() == "accept 0"
    logging.getLogger("asyncio").error("afterwards")
    assert caplog.records[-1].getMessage() == "afterwards"


def test_no_connection_is_remembered_after_it_ended(session: Path) -> None:
    with served(session) as table:
        server = table.server
        for _ in range(5):
            with connect(table.host) as one:
                one.sendall(HALF)
            assert table.get("")[0] == 200
        wait_until(lambda: not server.server_state.connections)
