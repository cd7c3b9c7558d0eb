"""What the page shows of the session, its plates and its errors: plain values."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict
from pathlib import Path
from secrets import token_hex
from threading import Lock
from typing import Any

import numpy as np

from platebench.core.errors import PlateError
from platebench.core.formats import FORMATS
from platebench.core.plate_names import as_text
from platebench.core.rounding import rounded
from platebench.core.settings import PlateSettings
from platebench.core.shown import LONGEST_PART, shown
from platebench.core.version import __version__
from platebench.plate.pictures import corners_in_capture, plate_size, shares_of
from platebench.plate.record import PlateRecord
from platebench.printing.process_file import list_processes, process_folders
from platebench.review.layers import LAYERS, Shown, density_colours, map_ends
from platebench.review.picture_shown import picture_shown
from platebench.review.plate_readings import tone_curve
from platebench.review.table import EDITABLE, ReviewTable
from platebench.review.tiles import TILE
from platebench.session.parts import files_in_parts
from platebench.session.record import is_older_than
from platebench.session.session_report import IN_PARTS


def message_of(error: Exception, folder: Path | None = None) -> str:
    """Return an error in one line, for the page, files of ``folder`` by their names in it."""
    if isinstance(error, PlateError):
        return in_session(str(error), folder)
    said = shown(" ".join(str(error).split()), LONGEST_PART)
    return f"unexpected: {type(error).__name__}: {said}"


def in_session(text: str, folder: Path | None) -> str:
    """Return a message with the files of the session named as the session names them."""
    return text if folder is None else text.replace(f"{folder}{os.sep}", "")


def session_to_json(table: ReviewTable) -> dict[str, Any]:
    """Return the session as the page lists it."""
    settings = table.settings
    undo, redo = table.steps
    parts = files_in_parts(table.output, *IN_PARTS)
    return {
        "title": settings.title or as_text(table.folder.resolve().name),
        "folder": as_text(table.folder.resolve().name),
        "version": __version__,
        "tones": table.tones(),
        "formats": [known.name for known in FORMATS],
        "processes": list_processes(process_folders(table.folder, table.user_folder)),
        "plates": [plate_line(table, plate) for plate in settings.plates],
        "front": table.front,
        "kept": {name: table.kept.said[name] for name in ("ground", "print_size")},
        "fault": message_of(table.fault, table.folder) if table.fault else "",
        "undo": undo,
        "redo": redo,
        "files": sorted(
            path.name
            for path in (table.output.iterdir() if table.output.is_dir() else ())
            if path.suffix in (".pdf", ".html") and path not in parts  # the index leads to them
        ),
        "colours": [f"#{red:02x}{green:02x}{blue:02x}" for blue, green, red in density_colours()],
    }


class Told:
    """What pages have been sent of the session, so that each is sent what it lacks.

    A page hands back the stamp of what it has. Lines are compared by their content: whatever
    changed them, an edit, a conversion or another program, they are sent once.
    """

    def __init__(self) -> None:
        self._lock, self._of_this_server, self._number = Lock(), token_hex(4), 0
        self._ids: list[str] = []
        self._listed = 0  # the number when plates were added, removed or moved
        self._lines: dict[str, tuple[bytes, int]] = {}

    def since(self, stamp: str, session: dict[str, Any]) -> dict[str, Any]:
        """Return the session with the plates that a page lacks.

        Parameters
        ----------
        stamp : str
            As it was sent last; whatever it is, an unknown one gets all plates.
        session : dict
            As :func:`session_to_json` returns it.

        Returns
        -------
        dict
            With ``stamp``, and ``whole`` where all plates are in it.
        """
        server, _, number = stamp.partition(".")
        known = int(number) if server == self._of_this_server and number.isdecimal() else -1
        plates = session["plates"]
        digests = [hashlib.sha256(json.dumps(line).encode()).digest() for line in plates]
        with self._lock:
            ids = [line["id"] for line in plates]
            now = self._number + 1
            if ids != self._ids:
                self._ids, self._listed, self._lines = ids, now, {}
            for plate_id, digest in zip(ids, digests, strict=True):
                if self._lines.get(plate_id, (b"",))[0] != digest:
                    self._lines[plate_id] = digest, now
                    self._number = now
            whole = not self._listed <= known <= self._number
            lacking = [line for line in plates if whole or self._lines[line["id"]][1] > known]
            stamp = f"{self._of_this_server}.{self._number}"
        return session | {"plates": lacking, "whole": whole, "stamp": stamp}


def plate_line(table: ReviewTable, plate: PlateSettings) -> dict[str, Any]:
    """Return one plate as the list shows it, from its record: no capture is read."""
    file = table.results.record(plate.id)
    record = file.result if file else PlateRecord(format=plate.format)
    preview = table.output / "previews" / f"{plate.id}.jpg"
    try:
        stamp = preview.stat().st_mtime_ns
    except OSError:
        stamp = 0
    return {
        "id": plate.id,
        "captures": list(plate.captures),
        "converted": file is not None and stamp > 0,
        "failed": in_session(table.results.failures().get(plate.id, ""), table.folder),
        "stale": _is_stale(table, plate),
        "preview": stamp,
        "doubtful": record.doubtful,
        "flags": list(record.flags),
        "format": record.format,
        "size_mm": record.size_mm,
        "pixels": record.pixels,
        "base_fog": record.base_fog,
        "d_max": record.d_max,
        "density_range": record.density_range,
        "taken": record.taken,
        "stained": bool(record.stain and record.stain.found),
        "words": _words_of(record),
        "settings": editable(plate),
    }


def _words_of(record: PlateRecord) -> str:
    """Return what the plate log says of a plate, to be searched."""
    said = asdict(record.log).values() if record.log else ()
    return " ".join(word for word in said if isinstance(word, str) and word)


def editable(plate: PlateSettings) -> dict[str, Any]:
    """Return the settings of a plate that the page may change."""
    said = asdict(plate)
    return {key: said[key] for key in EDITABLE}


def plate_to_json(table: ReviewTable, plate_id: str) -> dict[str, Any]:
    """Return a plate as it is opened: sizes, corners, densities, curve. Reads its captures.

    Raises
    ------
    PlateError
        If they cannot be read.
    """
    shown = table.shown(plate_id)
    found = shown.pixels.found
    corners = shown.settings.corners or [[float(v) for v in corner] for corner in found.corners]
    fit, scale = shown.framing.fit, shown.framing.scale
    measured = scale is not None and scale.source != "nominal"
    picture = picture_shown(shown)
    sizes = {}
    for layer in LAYERS:
        size = shown.size(layer)  # type: ignore[arg-type]
        sizes[layer] = {"width": size.columns, "height": size.rows, "last_level": size.last_level}
    positive = table.table(shown, "positive")
    return plate_line(table, shown.settings) | {
        "version": table.version(plate_id),
        "tile": TILE,
        "layers": sizes,
        "corners": [[rounded(v, 2) for v in corner] for corner in corners],
        "picture_corners": _picture_corners(shown),
        "by_hand": shown.settings.corners is not None,
        "found": found.found,
        "confidence": rounded(found.confidence, 3),
        "surround": found.surround,
        "doubts": [
            *shown.pixels.doubts,
            *filter(None, [shown.framing.size_doubt, picture and picture.doubt]),
        ],
        "shape": None if fit is None or measured else fit.warning,
        "shaped_as": [] if fit is None or not fit.warning else list(fit.suggestions),
        "whole": shown.framing.whole,
        "size": "" if scale is None else scale.glass_said,
        "picture": None if picture is None else {"box": picture.box_px, "size_mm": picture.size_mm},
        "ppi": None if shown.framing.ppi is None else rounded(shown.framing.ppi, 2),
        "calibrated": shown.pixels.calibrated,
        "map": None if shown.pixels.densities is None else map_ends(shown.pixels),
        "tone_curve": tone_curve(shown, positive, table.ends(shown)),
        "settled": table.is_at_hand(plate_id),
    }


def _picture_corners(shown: Shown) -> list[list[list[float]] | None]:
    """Return where the pictures on a plate lie in the capture; None where that is not known."""
    corners = np.array(shown.settings.corners or shown.pixels.found.corners, np.float64)
    size = plate_size(corners, shown.framing.ppi)
    every = (shares_of(picture, size) for picture in shown.settings.pictures)
    return [
        None
        if shares is None
        else [[rounded(v, 2) for v in corner] for corner in corners_in_capture(shares, corners)]
        for shares in every
    ]


def _is_stale(table: ReviewTable, plate: PlateSettings) -> bool:
    """Tell whether a plate's settings have changed since it was converted, if it was."""
    record = table.results.record(plate.id)
    return record is None or is_older_than(record, plate)
