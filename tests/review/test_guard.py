"""Who may talk to the table: everything else is refused, and nothing happens."""

from __future__ import annotations

import html
import json
import socket
import time
from pathlib import Path

import pytest

from platebench.review.app import MOST_PAGES
from platebench.review.guard import LARGEST_BODY
from platebench.write.report_page import POLICY

from .served import Served

NOT_MADE = (
    "made/0/session.toml",
    "made/0/..%2Fsession.toml",
    "made/-1/x.jpg",
    "made/9" + "9" * 40 + "/x",
)
ODD_NAMES = {
    "long": "x" * 300,
    "long and listed": "x" * 300 + ".html",
    "long in bytes": "%C3%A9" * 130 + ".pdf",  # 260 bytes, and 130 characters
    "null": "a%00b.html",
    "not UTF-8": "%FF%FE.pdf",
    "half a character": "%C3.html",
    "surrogate": "%ED%A0%80.pdf",
    "above": "..",
    "above, escaped": "%2E%2E%2Freport.html",
    "slash": "a%2Fb.html",
    "backslash": "..%5C..%5Creport.html",
    "drive": "C:%5Creport.html",
    "device": "NUL.html",
    "space": "%20",
    "line": "a%0D%0AX-Y:%20z.pdf",
    "right to left": "%E2%80%AEfdp.html",
    "number": "9" * 300,
    "percent": "%",
    "dot": ".html",
    "end": "report.html%20",
}
ROUTES = (
    *("{}", "output/{}", "made/0/{}", "made/{}/x.jpg", "page/{}", "fonts/{}", "page/vendor/{}"),
    *("api/{}", "api/plates/{}", "api/plates/{}/thumb.jpg", "api/plates/{}/preview.jpg"),
    *("api/plates/{}/loupe.jpg?at=1,1", "api/plates/{}/reading?at=1,1", "api/plates/wide/{}"),
    *("api/plates/{}/tiles/positive/1/0/0_0.jpg", "api/plates/wide/tiles/{}/1/0/0_0.jpg"),
    "api/plates/wide/tiles/positive/1/{}/0_0.jpg",  # any version is answered with what is now
    *("api/plates/wide/tiles/positive/1/0/{}.jpg", "api/plates/wide/thumb.jpg?side={}"),
    *("api/plates/wide/preview.jpg?tone={}", "api/plates/wide/preview.jpg?layer={}"),
    *("api/plates/wide/reading?at={}", "api/plates/wide/reading?layer={}&at=1,1"),
)
EDIT = json.dumps({"rotate": 90}).encode()


def test_the_address_is_this_machine_and_a_token_nobody_can_guess(table: Served) -> None:
    assert table.review.listening.getsockname()[0] == "127.0.0.1"
    assert len(table.base.strip("/")) >= 32  # 24 random bytes, RFC 4648 base64url
    status, headers, content = table.get("")
    assert status == 200 and b"<title>" in content
    assert headers["referrer-policy"] == "no-referrer"
    assert "default-src 'none'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("path", ["/", "/wrong/", "/wrong/api/session", "//", "/api/session"])
def test_without_the_token_there_is_nothing(table: Served, path: str) -> None:
    status, _, content = table.send(path)
    assert (
        status == 404 and b"shelf" not in content and table.base.strip("/").encode() not in content
    )


def test_half_a_token_is_none(table: Served) -> None:
    assert table.send(table.base[:-2] + "/api/session")[0] == 404


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "", "[::1]:80"])
def test_another_host_is_refused(table: Served, host: str) -> None:
    """DNS made to point here carries another name in its Host header (RFC 9110, 7.2)."""
    assert table.send(table.base + "api/session", headers={"Host": host})[0] in (400, 421)


def test_localhost_is_this_host_too(table: Served) -> None:
    port = table.host.partition(":")[2]
    assert table.send(table.base + "api/session", headers={"Host": f"localhost:{port}"})[0] == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "OWN", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "OWN", "Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_change_from_another_site_is_refused(
    table: Served, session: Path, headers: dict[str, str]
) -> None:
    before = (session / "session.toml").read_bytes()
    own = {name: value.replace("OWN", f"http://{table.host}") for name, value in headers.items()}
    status, _, _ = table.send(
        table.base + table.plate("wide") + "/edit",
        method="POST",
        headers={"Content-Type": "application/json", **own},
        body=EDIT,
    )
    assert status == 403
    assert (session / "session.toml").read_bytes() == before


def test_reading_from_another_site_is_refused(table: Served) -> None:
    headers = {"Sec-Fetch-Site": "cross-site"}
    assert table.send(table.base + "api/session", headers=headers)[0] == 403


def test_a_form_cannot_post(table: Served, session: Path) -> None:
    before = (session / "session.toml").read_bytes()
    kind = {"Content-Type": "text/plain"}
    assert table.post(table.plate("wide") + "/edit", {"rotate": 90}, **kind)[0] == 415
    assert (session / "session.toml").read_bytes() == before


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(table: Served, method: str) -> None:
    headers = {"Origin": f"http://{table.host}"}
    assert table.send(table.base + "api/session", method=method, headers=headers)[0] == 405


def test_a_huge_body_is_refused(table: Served) -> None:
    own = {"Origin": f"http://{table.host}", "Content-Type": "application/json"}
    path = table.base + table.plate("wide") + "/edit"
    said = {**own, "Content-Length": str(10**12)}
    assert table.send(path, method="POST", headers=said, body=b"{}")[0] == 413
    chunks = b"%x\r\n" % (LARGEST_BODY + 1) + b" " * (LARGEST_BODY + 1) + b"\r\n0\r\n\r\n"
    assert sent_raw(table, path, {**own, "Transfer-Encoding": "chunked"}, chunks) == 413


def sent_raw(table: Served, path: str, headers: dict[str, str], body: bytes) -> int:
    """Send a request byte for byte and return the status."""
    host, _, port = table.host.partition(":")
    lines = [f"POST {path} HTTP/1.1", f"Host: {table.host}"]
    lines += [f"{name}: {value}" for name, value in headers.items()]
    with socket.create_connection((host, int(port)), timeout=20) as connection:
        connection.sendall("\r\n".join([*lines, "", ""]).encode() + body)
        return int(connection.recv(65536).split(b" ")[1])


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b"nul", b'"x"', b"[" * 20_000, b"\xff\xfe"])
def test_a_malformed_body_is_refused(table: Served, session: Path, body: bytes) -> None:
    before = (session / "session.toml").read_bytes()
    own = {"Origin": f"http://{table.host}", "Content-Type": "application/json"}
    path = table.base + table.plate("wide") + "/edit"
    status, _, _ = table.send(path, method="POST", headers=own, body=body)
    assert status in (200, 400) and (status == 400 or body == b"")
    assert (session / "session.toml").read_bytes() == before


@pytest.mark.parametrize(
    "path",
    [
        "page/../../../session/record.py",
        "page/%2e%2e/%2e%2e/app.py",
        "page/..%2f..%2fapp.py",
        "output/..%2Fsession.toml",
        "output/%2e%2e/session.toml",
        "output/../session.toml",
        "output/report.json",
        "output/.writing-x.pdf",
        "api/plates/..%2F..%2Fetc/thumb.jpg",
        "api/plates/%2Fetc%2Fpasswd",
        "fonts/../app.py",
    ],
)
def test_paths_lead_nowhere_else(table: Served, path: str) -> None:
    assert table.get(path)[0] in (404, 422)


def test_a_link_in_the_output_leads_nowhere(table: Served, session: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.pdf").write_bytes(b"secret")
    (session / "converted" / "x.pdf").symlink_to(tmp_path / "secret.pdf")
    assert table.get("output/x.pdf")[0] == 404
    assert table.get("output/proof-sheet.pdf")[0] == 200


def test_a_very_long_address_is_refused(table: Served) -> None:
    assert table.get("api/" + "x" * 4000)[0] == 414


@pytest.mark.parametrize(
    "line",
    [
        b"GET /\xff\xfe/ HTTP/1.1",
        b"GET %s/api/session?x=\xff HTTP/1.1",
        b"GET http://evil.example%s/api/session HTTP/1.1",
        b"GET * HTTP/1.1",
        b"GET ? HTTP/1.1",
        b"GET %s/../../api/session HTTP/1.1",
        b"\x16\x03\x01\x02\x00",
    ],
)
def test_an_odd_request_line_is_refused_and_the_server_goes_on(table: Served, line: bytes) -> None:
    token = table.base.rstrip("/").encode()
    head = line.replace(b"%s", token) + b"\r\nHost: evil.example\r\n\r\n"
    host, _, port = table.host.partition(":")
    with socket.create_connection((host, int(port)), timeout=20) as connection:
        connection.sendall(head)
        connection.shutdown(socket.SHUT_WR)
        answer = connection.recv(65536)
    assert not answer or answer.split(b" ")[1] in (b"400", b"404", b"421")
    assert b"shelf" not in answer
    assert table.get("api/session")[0] == 200


def test_two_hosts_or_two_lengths_are_refused(table: Served, session: Path) -> None:
    """RFC 9112, 3.2 and 6.3: a request with two of either is not a good one."""
    own = f"Origin: http://{table.host}\r\nContent-Type: application/json\r\n"
    before = (session / "session.toml").read_bytes()
    path = table.base + table.plate("wide") + "/edit"
    for extra in (
        "Host: evil.example\r\nContent-Length: 14\r\n",
        "Content-Length: 14\r\nContent-Length: 2\r\n",
        "Content-Length: 2\r\nTransfer-Encoding: chunked\r\n",
    ):
        head = f"POST {path} HTTP/1.1\r\nHost: {table.host}\r\n{own}{extra}\r\n"
        host, _, port = table.host.partition(":")
        with socket.create_connection((host, int(port)), timeout=20) as connection:
            connection.sendall(head.encode() + EDIT)
            connection.shutdown(socket.SHUT_WR)
            answer = connection.recv(65536)
        # with both a length and chunks, chunks count; the body is none, so the connection ends
        assert not answer or answer.split(b" ")[1] == b"400"
    assert (session / "session.toml").read_bytes() == before


def test_an_address_without_its_last_slash_leads_to_the_page(table: Served) -> None:
    status, headers, _ = table.send(table.base.rstrip("/"))
    assert status == 307 and headers["location"] == table.base


def test_pages_that_listen_are_bounded(table: Served) -> None:
    host, _, port = table.host.partition(":")
    listening = []
    try:
        for _ in range(MOST_PAGES):
            one = socket.create_connection((host, int(port)), timeout=20)
            listening.append(one)
            one.sendall(
                f"GET {table.base}api/events HTTP/1.1\r\nHost: {table.host}\r\n\r\n".encode()
            )
            assert b" 200 " in one.recv(4096).split(b"\r\n")[0]
        for _ in range(100):
            if table.review.events.listening == MOST_PAGES:
                break
            time.sleep(0.02)
        assert table.get("api/events")[0] == 503
    finally:
        for one in listening:
            one.close()


@pytest.mark.parametrize("path", NOT_MADE)
def test_what_was_not_made_from_the_page_is_not_given_out(table: Served, path: str) -> None:
    assert table.get(path)[0] == 404


@pytest.mark.parametrize("route", ROUTES)
def test_an_odd_name_is_not_found_wherever_it_stands(served_once: Served, route: str) -> None:
    """RFC 9110, 15.5: the fault is the one who asks, not the server."""
    for what, name in ODD_NAMES.items():
        status, _, content = served_once.get(route.format(name))
        unknown = {400, 404, 405, 414, 422}
        plain = {200, 307} if "?" in route or name in ("..", "%20") else set()
        assert status in unknown | plain, (what, status, content[:200])
        assert len(content) < 2000 or status == 200, (what, len(content))


@pytest.mark.parametrize("name", ODD_NAMES.values())
def test_an_odd_file_of_results_is_not_there(served_once: Served, name: str) -> None:
    assert served_once.get(f"output/{name}")[0] == 404


@pytest.mark.parametrize("name", ODD_NAMES.values())
@pytest.mark.parametrize("path", ["api/plates/{}/edit", "api/do/{}"])
def test_nothing_is_done_under_an_odd_name(served_once: Served, path: str, name: str) -> None:
    status, _, content = served_once.post(path.format(name), {"rotate": 90})
    assert status in (400, 404, 405, 422) and len(content) < 1000


def test_the_report_brings_its_own_policy(table: Served, session: Path) -> None:
    """CSP Level 3, 3.3: a policy in the page and one in the header both hold."""
    status, headers, content = table.get("output/report.html")
    assert status == 200 and content == (session / "converted" / "report.html").read_bytes()
    policy = headers["content-security-policy"]
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    assert rules["default-src"] == "'none'" and rules["style-src"] == "'unsafe-inline'"
    assert "script-src" not in rules and rules["frame-ancestors"] == "'none'"
    assert f'content="{POLICY}"' in html.unescape(content.decode())
    assert headers["x-content-type-options"] == "nosniff"
    assert "script-src 'self'" in table.get("")[1]["content-security-policy"]


def test_only_the_page_itself_may_be_opened_from_elsewhere(table: Served) -> None:
    """Fetch Metadata: a browser that goes to an address from a file says cross-site."""
    opens = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    opens |= {"Sec-Fetch-Dest": "document"}
    assert table.send(table.base, headers=opens)[0] == 200
    assert table.send(table.base + "api/session", headers=opens)[0] == 403
    for changed in ({"Sec-Fetch-Dest": "iframe"}, {"Sec-Fetch-Mode": "no-cors"}):
        assert table.send(table.base, headers=opens | changed)[0] == 403
    assert table.send("/wrong/", headers=opens)[0] == 404
