"""The front of the page: sessions used lately, folders to choose from, and the day's work in order.

It opens a review page for each session that is asked for, on a port and with a token of its own.
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable
from pathlib import Path
from threading import Event, Lock
from typing import Any

from platebench.core.errors import PlateError, SessionFolderError
from platebench.core.plate_names import as_text
from platebench.core.progress import Progress
from platebench.core.settings import SessionSettings
from platebench.plate.job import PREVIEWS
from platebench.review.at_the_box import facts_of
from platebench.review.kept import KeptChoices
from platebench.review.results import Done, is_plain_file
from platebench.review.serve import Aside, open_table
from platebench.review.tasks import Events, Work
from platebench.session.check_session import check_session
from platebench.session.convert_session import convert_session
from platebench.session.draft_file import check_replaceable, write_draft
from platebench.session.drafting import draft_session, list_captures
from platebench.session.session_log import write_template
from platebench.session.session_report import OUTPUT_NAME
from platebench.session.settings_file import FILE_NAME, load_session
from platebench.session.watch_session import SessionWatch

PAUSE_S = 0.5  # between two looks at a folder that is watched
MOST_LISTED = 500  # folders of a folder

# The day's work, in the trade's own order: heading, what for, then what can be begun here (work, or
# "review" for the page) and the command that does the same.
DAY: tuple[tuple[str, str, tuple[tuple[str, str], ...]], ...] = (
    (
        "Capture",
        "Shoot blank, dark and plates into one folder; each plate is judged as it arrives.",
        (("watch", "watch {}"), ("start", "start {}")),
    ),
    (
        "Check",
        "While the light box still stands: focus, exposure, evenness, glare, dust.",
        (("check", "check {}"),),
    ),
    ("Correct", "Corners, turns, tone; look at what is in doubt.", (("review", "review {}"),)),
    (
        "Convert",
        "Positives, proof sheet and report; what is unchanged stays.",
        (("convert", "convert {}"),),
    ),
    (
        "Print",
        "Which process suits a plate, how long it prints, and its print negative.",
        (
            ("", "which-print {} PLATE"),
            ("review", "print-negative {} PLATE"),
            ("", "print-plate {} PLATE"),
        ),
    ),
    (
        "Keep",
        "Masters and a package that anybody can verify; pictures and pages to show.",
        (("", "master {}"), ("review", "archive {}"), ("", "exhibit {}"), ("review", "share {}")),
    ),
)


class Front:
    """What the front knows and opens.

    Parameters
    ----------
    user_folder : Path or None
        Where a person's own choices are kept.
    """

    def __init__(self, user_folder: Path | None) -> None:
        self._user_folder = user_folder
        self.kept = KeptChoices(user_folder)
        self.address = ""  # the front's own, for the way back
        self.watched: Path | None = None  # the folder that is watched, or was last
        self.stop = Event()  # set when the watching is to end
        self._taken: set[str] = set()
        self._lock = Lock()
        self._open: dict[Path, Aside] = {}

    def lately(self) -> list[dict[str, Any]]:
        """Return the sessions used lately that are still there, the latest first."""
        there = (Path(name) for name in self.kept.said["sessions"])
        return [_line(folder) for folder in there if (folder / FILE_NAME).is_file()]

    def folder(self, name: str) -> dict[str, Any]:
        """Return what a folder holds, and the day's work in it; "" is the home folder.

        Raises
        ------
        SessionFolderError
            If it is not there or may not be read.
        """
        folder = _folder(name)
        captures, _ = list_captures(folder)
        try:
            within = sorted(
                entry.name
                for entry in os.scandir(folder)
                if entry.is_dir() and not entry.name.startswith(".")
            )
        except OSError as error:
            raise SessionFolderError(folder, "cannot be read", "choose another") from error
        above = [*reversed(folder.parents), folder]
        given = shlex.quote(str(folder))
        return _line(folder) | {
            "above": [{"name": as_text(one.name or str(one)), "path": str(one)} for one in above],
            "within": [{"name": as_text(one), "path": str(folder / one)} for one in within][
                :MOST_LISTED
            ],
            "more": max(0, len(within) - MOST_LISTED),
            "captures": len(captures),
            "day": [
                {
                    "name": heading,
                    "what": what,
                    "ways": [
                        {"does": does, "command": f"platebench {command.format(given)}"}
                        for does, command in ways
                    ],
                }
                for heading, what, ways in DAY
            ],
        }

    def open(self, name: str) -> str:
        """Return the address of a session's review page, which is served from now on.

        Raises
        ------
        SettingsError, SessionFolderError
            If there is no session there.
        """
        folder = _folder(name)
        with self._lock:
            if folder not in self._open:
                review = open_table(folder, user_folder=self._user_folder, front=self.address)
                self._open[folder] = Aside(review)
            return self._open[folder].address

    def watch(self, name: str, events: Events) -> Work:
        """Return the watching of a folder: each arrival is told to the pages until ``stop``.

        Raises
        ------
        SessionFolderError
            If it is no folder.
        """
        folder = _folder(name)
        self.watched, self._taken = folder, set()
        self.stop.clear()

        def work(_progress: Progress) -> Done:
            session = SessionWatch(folder=folder)
            while not self.stop.wait(PAUSE_S):
                arrival = session.look()
                if arrival is not None:
                    facts = facts_of(arrival, _settings_of(folder))
                    self._taken.update(facts["plates"])
                    events.tell("arrived", **facts)
            return Done(said=("no longer watching; finished files are kept",))

        return work

    def taken(self, plate_id: str) -> Path | None:
        """Return the preview of a plate that came while watching."""
        if self.watched is None or plate_id not in self._taken:
            return None
        path = self.watched / OUTPUT_NAME / PREVIEWS / f"{plate_id}.jpg"
        return path if is_plain_file(path) else None

    def close(self) -> None:
        """End all review pages, and the watching."""
        self.stop.set()
        for aside in self._open.values():
            aside.close()
        self._open.clear()


def _folder(name: str) -> Path:
    try:
        folder = Path(name) if name else Path.home()
        there = folder.is_absolute() and folder.is_dir()
    except (OSError, RuntimeError, ValueError):
        there = False
    if not there:
        raise SessionFolderError(Path(name or "~"), "is not a folder", "choose another")
    return folder.resolve()


def _settings_of(folder: Path) -> SessionSettings | None:
    try:
        return load_session(folder)
    except PlateError:
        return None


def _line(folder: Path) -> dict[str, Any]:
    return {
        "name": as_text(folder.name or str(folder)),
        "path": str(folder),
        "session": (folder / FILE_NAME).is_file(),
        "converted": (folder / OUTPUT_NAME / "report.json").is_file(),
    }


def start(folder: Path) -> Work:
    """Return the drafting of a session."""

    def work(progress: Progress) -> Done:
        check_replaceable(folder / FILE_NAME)
        draft = draft_session(folder, progress=progress)
        write_draft(folder, draft)
        write_template(folder, [plate.id for plate in draft.settings.plates])
        said = f"{FILE_NAME}: {len(draft.settings.plates)} plates; set size and emulsion side"
        return Done(said=(said, *draft.remarks))

    return work


def check(folder: Path) -> Work:
    """Return the check of all captures: what asks for action, else that all is well."""

    def work(progress: Progress) -> Done:
        urgent = [
            f"{entry.name}: {verdict}"
            for entry in check_session(folder, progress=progress)
            for verdict in (entry.check.verdicts if entry.check else ())
            if verdict.severity in ("warn", "fail")
        ]
        return Done(said=tuple(urgent) or ("every capture is good",))

    return work


def convert(folder: Path) -> Work:
    """Return the conversion of what has changed."""

    def work(progress: Progress) -> Done:
        result = convert_session(folder, progress=progress)
        failed = [str(plate.error) for plate in result.results if plate.error]
        made = sum(not plate.skipped for plate in result.results) - len(failed)
        errors = tuple(str(error) for error in result.errors)
        return Done(said=(f"{made} converted", *failed, *errors))

    return work


WORKS: dict[str, Callable[[Path], Work]] = {"start": start, "check": check, "convert": convert}


def work_of(name: str, folder: str) -> Work | None:
    """Return a work that the front can begin in a folder; None where it has no such work."""
    return WORKS[name](_folder(folder)) if name in WORKS else None
