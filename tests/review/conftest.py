from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from platebench.review.front import Front
from platebench.review.front_app import open_front
from platebench.review.serve import server_config
from platebench.session.convert_session import convert_session

from ..processes import PATIENCE_S, wait_until
from ..session_files import write_session
from .browsing import CHROMIUM, FLAGS
from .served import Served, served


@pytest.fixture(scope="session")
def converted_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("review") / "shelf", names=("dense", "wide"))
    convert_session(folder, workers=1)
    return folder


@pytest.fixture
def session(converted_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(converted_once, tmp_path / "shelf"))


@pytest.fixture
def table(session: Path) -> Iterator[Served]:
    with served(session) as address:
        yield address


@pytest.fixture(scope="module")
def served_once(converted_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A table for many requests that change nothing."""
    folder = shutil.copytree(converted_once, tmp_path_factory.mktemp("once") / "shelf")
    with served(Path(folder)) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def page(browser: Any, table: Served) -> Iterator[Any]:
    """The page opened; whatever it complains about fails the test."""
    page = browser.new_page(viewport={"width": 1300, "height": 850})
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on(
        "response",
        lambda got: complaints.append(f"{got.url} {got.text()}") if got.status >= 400 else None,
    )
    page.goto(table.review.address)
    page.wait_for_selector("#prints img")
    yield page
    page.close()
    offline = "ERR_INTERNET_DISCONNECTED"  # a test wanted it so
    assert [said for said in complaints if offline not in said] == []


@pytest.fixture
def front(tmp_path: Path) -> Iterator[tuple[Front, Served]]:
    front, review = open_front(tmp_path / "own")
    server = uvicorn.Server(server_config(review))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [review.listening]})
    thread.start()
    try:
        wait_until(lambda: server.started)
        yield front, Served(review, server)
    finally:
        front.close()
        review.events.close()
        server.should_exit = True
        thread.join(timeout=PATIENCE_S)
        review.listening.close()
