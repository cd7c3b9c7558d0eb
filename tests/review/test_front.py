"""The front of the page: sessions used lately, folders, the day's work."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.review.front import DAY, Front
from platebench.review.kept import KeptChoices
from platebench.session.settings_file import load_session

from ..processes import PATIENCE_S, wait_until
from .browsing import IN_A_BROWSER
from .served import Served


def told(served: Served, path: str, wishes: dict[str, Any]) -> Any:
    status, _, content = served.post(path, wishes)
    assert status in (200, 202), content
    return json.loads(content)


def test_sessions_used_lately_come_first(front: tuple[Front, Served], session: Path) -> None:
    one, served = front
    assert served.json("api/front")["lately"] == []
    address = told(served, "api/open", {"folder": str(session)})["address"]
    assert told(served, "api/open", {"folder": str(session)})["address"] == address  # served once
    assert address.split("/")[3] not in served.review.address  # a token of its own
    assert [line["path"] for line in served.json("api/front")["lately"]] == [str(session)]
    (session / "session.toml").unlink()
    assert one.lately() == []


@pytest.mark.parametrize("folder", ["relative", "/no/such/folder", "\0", "/" + "x" * 3000])
def test_what_is_no_folder_is_refused(front: tuple[Front, Served], folder: str) -> None:
    for path in ("api/folder", "api/open", "api/do/convert"):
        assert front[1].post(path, {"folder": folder})[0] == 422


def test_the_front_has_the_same_guard(front: tuple[Front, Served], session: Path) -> None:
    served = front[1]
    body = json.dumps({"folder": str(session)}).encode()
    kind = {"Content-Type": "application/json"}
    for path, headers in (
        ("/wrong/api/folder", {"Origin": f"http://{served.host}"}),
        (served.base + "api/folder", {"Origin": "http://evil.example"}),
        (served.base + "api/folder", {}),
    ):
        status, _, content = served.send(path, method="POST", headers=kind | headers, body=body)
        assert status in (403, 404) and session.name.encode() not in content
    assert served.post("api/do/none-such", {"folder": str(session)})[0] == 400


def test_each_step_names_a_command_that_there_is() -> None:
    """A command shown beside a button is one that can be typed."""
    for _, _, ways in DAY:
        for _, command in ways:
            name = command.split()[0]
            assert CliRunner().invoke(main, [name, "--help"]).exit_code == 0, name


def test_without_a_command_the_page_opens_at_its_front(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[bool] = []
    monkeypatch.setattr("platebench.cli.review.open_at_front", lambda: opened.append(True))
    assert CliRunner().invoke(main, []).exit_code == 0 and opened == [True]
    assert CliRunner().invoke(main, ["--help"]).exit_code == 0 and opened == [True]


def test_lately_holds_each_session_once_and_not_too_many(tmp_path: Path) -> None:
    kept = KeptChoices(tmp_path)
    for number in [*range(20), 3]:
        kept.note_session(tmp_path / str(number))
    names = [Path(name).name for name in KeptChoices(tmp_path).said["sessions"]]
    assert names[:2] == ["3", "19"] and len(names) == len(set(names)) == 12


class TestInABrowser:
    """Driven as a person would."""

    pytestmark = IN_A_BROWSER

    def test_from_a_folder_of_captures_to_its_review_page(
        self, browser: Any, front: tuple[Front, Served], session: Path
    ) -> None:
        fresh = session.parent / "fresh shelf"
        fresh.mkdir()
        for name in ("blank.dng", "wide.dng"):
            shutil.copy(session / name, fresh)
        page = browser.new_page(viewport={"width": 1300, "height": 850})
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(f"{front[1].review.address}#/folder/{session.parent}")
        page.click("#folders .plain a:has-text('fresh shelf')")
        page.wait_for_selector("#day code:has-text('fresh shelf')")
        page.click("button:has-text('Draft the session')")
        wait_until(lambda: (fresh / "session.toml").is_file())
        assert len(load_session(fresh).plates) == 1
        page.click("button:has-text('Convert'):not([disabled])", timeout=1000 * PATIENCE_S)
        wait_until(lambda: (fresh / "converted" / "report.json").is_file())
        button = "button:has-text('Open the review page'):not([disabled])"
        page.locator(button).first.click(timeout=1000 * PATIENCE_S)
        page.wait_for_selector("#prints img")
        page.click("#more summary")
        page.click("#more a:has-text('Front')")
        page.wait_for_selector("#lately a:has-text('fresh shelf')")
        assert faults == []
        page.close()
