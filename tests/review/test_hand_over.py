"""The address reaches the browser, and nobody else: not by a command line, not by a file."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from threading import Event, Thread
from urllib.parse import unquote, urlsplit

import pytest

from platebench.review.hand_over import LIFE_S, open_in_browser, private_page

from ..processes import command, environment, wait_until

ADDRESS = "http://127.0.0.1:8123/Xy-_secret/"
BROWSER = """\
import json, os, sys, urllib.parse, urllib.request
with urllib.request.urlopen(sys.argv[1]) as page:
    text = page.read().decode()
place = urllib.request.url2pathname(urllib.parse.urlsplit(sys.argv[1]).path)
seen = {"argv": sys.argv, "environment": dict(os.environ), "text": text, "place": place,
        "mode": os.stat(place).st_mode, "folder": os.stat(os.path.dirname(place)).st_mode}
with open(os.environ["SEEN"] + ".new", "w", encoding="utf-8") as out:
    json.dump(seen, out)
os.replace(os.environ["SEEN"] + ".new", os.environ["SEEN"])
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "home & more"
    folder.mkdir()
    monkeypatch.setenv("HOME", str(folder))
    monkeypatch.setenv("USERPROFILE", str(folder))
    return folder


@pytest.mark.big
@pytest.mark.skipif(os.name != "posix", reason="a browser of our own is named in BROWSER")
def test_no_command_line_holds_the_address(session: Path, home: Path, tmp_path: Path) -> None:
    """POSIX lets every user list every process's arguments: ``ps -A -o args``."""
    (tmp_path / "browser.py").write_text(BROWSER, encoding="utf-8")
    browser, seen_at = f"{sys.executable} {tmp_path / 'browser.py'} %s", tmp_path / "seen.json"
    process = subprocess.Popen(
        command("review", session, "--json"),
        stdout=subprocess.PIPE,
        encoding="utf-8",
        env=environment(BROWSER=browser, SEEN=str(seen_at), HOME=str(home)),
    )
    try:
        assert process.stdout is not None
        said = ""
        while not said.rstrip().endswith("}"):
            said += process.stdout.readline()
        address = json.loads(said)["address"]
        wait_until(seen_at.exists)
        seen = json.loads(seen_at.read_text(encoding="utf-8"))
        token = urlsplit(address).path.strip("/")
        assert len(token) >= 32 and address in seen["text"]
        assert token not in str(seen["argv"]) and token not in str(seen["environment"])
        assert stat.S_IMODE(seen["mode"]) == 0o600 and stat.S_IMODE(seen["folder"]) == 0o700
        assert Path(seen["place"]).exists()
        with urllib.request.urlopen(address) as page:
            assert page.status == 200
        wait_until(lambda: {path.name for path in home.iterdir()} <= {".config"})
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


def test_the_page_lies_where_confined_browsers_can_read_it(home: Path) -> None:
    """In the home folder and not hidden: what the home interface of snaps lets through."""
    with private_page(ADDRESS) as page:
        inside = page.relative_to(home)
        assert not any(part.startswith(".") for part in inside.parts)
        text = page.read_text(encoding="utf-8")
        assert f'content="0; url={ADDRESS}"' in text and "<script" not in text
    assert list(home.iterdir()) == []


def test_without_a_home_it_lies_with_the_temporary_files(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "tmp").mkdir()
    home.rmdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "tmp"))
    with private_page(ADDRESS) as page:
        assert page.is_relative_to(tmp_path / "tmp")


def test_it_goes_when_the_table_was_opened_or_put_away(home: Path) -> None:
    entered, started = Event(), Event()

    def start(page: str) -> bool:
        assert Path(unquote(urlsplit(page).path.lstrip("/" if os.name == "nt" else ""))).is_file()
        started.set()
        return True

    opening = Thread(target=open_in_browser, args=(ADDRESS, entered), kwargs={"start": start})
    opening.start()
    assert started.wait(60) and len(list(home.iterdir())) == 1
    entered.set()
    opening.join(60)
    assert list(home.iterdir()) == []


def test_without_a_browser_that_is_said(home: Path) -> None:
    assert not open_in_browser(ADDRESS, Event(), start=lambda page: False)
    assert list(home.iterdir()) == []


def test_what_a_killed_run_left_goes_with_the_next(home: Path) -> None:
    with private_page(ADDRESS) as page:
        name = page.parent.name
    old, new = home / (name + "x"), home / (name + "y")
    for folder in (old, new):
        folder.mkdir()
        (folder / "open-the-review.html").write_text("", encoding="utf-8")
    then = time.time() - LIFE_S - 60
    os.utime(old, (then, then))
    with private_page(ADDRESS):
        assert not old.exists() and new.exists()
