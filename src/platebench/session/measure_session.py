"""Spot readings of one plate of a session, and the table they are written into (CSV or JSON)."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platebench.core.errors import SpotError, WriteError
from platebench.core.files import SPOT_COLUMNS, WEDGE_MARK, refuse_foreign
from platebench.core.progress import Progress, working
from platebench.core.settings import SESSION_FILE
from platebench.exposing.develop_log import FILE_NAME as STEPS_NAME
from platebench.measure.spot import (
    Probe,
    Spot,
    SpotReading,
    grid_spots,
    open_probe,
    read_spots,
    usual_size,
)
from platebench.measure.wedge import read_wedge
from platebench.plate.calibration import FILE_NAME
from platebench.plate.densities import BELOW_NOTHING
from platebench.plate.job import RECORDS, PlateJob
from platebench.plate_log.read_log import FILE_NAME as LOG_NAME
from platebench.session.check_file import FILE_NAME as CHECKS
from platebench.session.jobs import blank_digests, prepare_light, session_calibration
from platebench.session.originals import captures_of, refuse_captures
from platebench.session.session_report import OUTPUT_NAME, REPORT
from platebench.session.settings_file import load_session

_LEAST_ERROR = 0.001  # D; an error is never shown as none
_HEADINGS = ("x", "y", "side", "density", "red", "green", "blue", "to blue light", "")


def readings_text(done: PlateReadings) -> str:
    """Return a line a reading, under a heading that says what they are.

    Places are middles of squares, from the left and the top of the positive.
    """
    in_mm = all(reading.x_mm is not None for reading in done.readings)
    rows = [_row(reading, in_mm=in_mm) for reading in done.readings]
    headings: tuple[str, ...] = _HEADINGS
    if done.steps is not None:
        headings = ("step", *headings)
        rows = [[str(step), *row] for step, row in zip(done.steps, rows, strict=True)]
    how = "calibrated" if done.calibrated else "not calibrated"
    lines = [
        f"{done.plate_id}: densities with their standard errors, {how}; places in "
        f"{'mm' if in_mm else 'pixels'} from the left and the top of the positive",
        *_aligned([headings, *rows]),
    ]
    if done.fog is not None:
        lines.append(f"base plus fog: {_density(done.fog)}")
    return "\n".join(lines) + "\n"


def _row(reading: SpotReading, *, in_mm: bool) -> list[str]:
    place = (
        (reading.x_mm, reading.y_mm, reading.size_mm)
        if in_mm
        else (reading.x_px, reading.y_px, reading.size_px)
    )
    shades = (reading.red, reading.green, reading.blue, reading.printing)
    remark = reading.reason or ""
    if reading.at_least is not None:
        remark = f"{remark or 'too dense'}: denser than {reading.at_least:z.2f}"
    return [
        *("" if value is None else f"{value:z.1f}" for value in place),
        _density(reading),
        *("" if value is None else f"{value:z.2f}" for value in shades),
        remark,
    ]


def _density(reading: SpotReading) -> str:
    if reading.density is None:
        return "-"
    if reading.sigma is None:
        return f"{reading.density:z.3f}"
    return f"{reading.density:z.3f} +-{max(reading.sigma, _LEAST_ERROR):.3f}"


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


Place = tuple[float, float, str]  # x, y, unit
Length = tuple[float, str]

_ANOTHER_NAME = "choose another name", "output"
_OF_THE_SESSION = (FILE_NAME, LOG_NAME, STEPS_NAME)  # files that commands write or read by name
_COLUMNS = (
    *SPOT_COLUMNS, "density", "sigma", "red", "green", "blue", "printing",
    "photon_sigma", "calibration_sigma", "red_sigma", "green_sigma", "blue_sigma", "spread",
    "size_mm", "size_px", "sites", "left_out", "at_least", "reason", "light_sigma", "glare_sigma",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateReadings:
    """Readings of one plate.

    Attributes
    ----------
    plate_id : str
    readings : tuple of SpotReading
        In the order asked for: single places, then the grid, row after row.
    steps : tuple of int or None
        Number of each reading's step, where a wedge was read.
    fog : SpotReading or None
        Base plus fog of a wedge, where a place was named for it.
    calibrated : bool
        Whether the session's calibration was applied.
    notes : tuple of str
    """

    plate_id: str
    readings: tuple[SpotReading, ...]
    steps: tuple[int, ...] | None
    fog: SpotReading | None
    calibrated: bool
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        document: dict[str, Any] = {
            "plate": self.plate_id,
            "calibrated": self.calibrated,
            "notes": list(self.notes),
        }
        values = [reading.to_json() for reading in self.readings]
        if self.steps is None:
            return document | {"readings": values}
        steps = [
            {"step": step} | value | {"sigma": value["photon_sigma"]}
            for step, value in zip(self.steps, values, strict=True)
            if value["density"] is not None
        ]
        document |= {"steps": steps}
        if self.fog is not None:
            fog = self.fog.to_json()
            document |= {"base_fog": fog["density"], "base_fog_sigma": fog["photon_sigma"]}
        return document

    def to_csv(self) -> str:
        """Return a table: a line a reading, empty where there is no value.

        Of a wedge, the columns that ``platebench curve`` reads; below a line that tells it from a
        table somebody wrote by hand.
        """
        stream = io.StringIO()
        writer = csv.writer(stream, lineterminator="\n")
        values = [reading.to_json() for reading in self.readings]
        if self.steps is not None:
            stream.write(f"{WEDGE_MARK} of {self.plate_id}\n")
            writer.writerow(("step", "density", "sigma", "calibration_sigma"))
            rows: list[tuple[int | str, dict[str, Any]]] = [*zip(self.steps, values, strict=True)]
            if self.fog is not None:
                rows.append(("fog", self.fog.to_json()))
            for step, value in rows:
                if value["density"] is not None:
                    errors = value["photon_sigma"], value["calibration_sigma"]
                    writer.writerow((step, value["density"], *errors))
            return stream.getvalue()
        writer.writerow(_COLUMNS)
        for value in values:
            writer.writerow(["" if value[name] is None else value[name] for name in _COLUMNS])
        return stream.getvalue()


def measure_session_plate(
    folder: Path,
    plate_id: str,
    *,
    places: Sequence[Place] = (),
    size: Length | None = None,
    grid: tuple[int, int] | None = None,
    wedge: bool = False,
    fog: Place | None = None,
    first_step: int | None = None,
    progress: Progress | None = None,
) -> PlateReadings:
    """Read places of a plate, through the session's calibration where there is one.

    Parameters
    ----------
    folder : Path
        The session folder. Nothing in it is changed.
    plate_id : str
        The plate's id in ``session.toml``.
    places : sequence of (x, y, unit)
        Middles of squares on the positive; unit "mm" (from the plate's corner) or "px".
    size : (side, unit) or None
        Of the squares; None: 2 mm, or a fiftieth of the long side where mm are not known.
    grid : (rows, columns) or None
        Squares spread evenly over the plate.
    wedge : bool
        Read the steps of a wedge instead.
    fog : (x, y, unit) or None
        Where a plate with a wedge was not exposed.
    first_step : int or None
        Step of the tablet that the densest step of the wedge lay under; None: told from its end.
    progress : Progress or None
        Told of the frames read.

    Raises
    ------
    SpotError
        If there is no such plate or place.
    PlateError
        If the plate cannot be read.
    """
    probe = _probe(folder, plate_id, progress)
    steps: tuple[int, ...] | None = None
    fog_reading, notes = None, [*probe.notes]
    if wedge:
        found = read_wedge(probe, None if fog is None else _spot(probe, fog, size), first_step)
        steps = tuple(number for number, _ in found.steps)
        readings = [reading for _, reading in found.steps]
        fog_reading = found.fog
        notes.append(found.note)
    else:
        spots = [_spot(probe, place, size) for place in places]
        if grid is not None:
            side, unit = size or usual_size(probe)
            spots += grid_spots(probe, *grid, side, unit)
        readings = read_spots(probe, spots)
    below = [r.density for r in readings if r.density is not None and r.density < -BELOW_NOTHING]
    if below:
        notes.append(
            f"readings down to {min(below):.2f} D are no densities: nothing lets more light "
            "through than the bare light, so blank frame or light are not this plate's"
        )
    return PlateReadings(
        plate_id=plate_id,
        readings=tuple(readings),
        steps=steps,
        fog=fog_reading,
        calibrated=probe.calibrated,
        notes=tuple(notes),
    )


def refuse_readings_file(folder: Path, path: Path) -> None:
    """Refuse to write readings where they would be taken for something else, or do harm.

    Raises
    ------
    WriteError
        If the name does not end in .json or .csv, is that of one of the session's captures or own
        files, or of a file that holds no readings written here.
    SettingsError, SessionFolderError
        If there is no session.
    """
    if path.suffix.lower() not in (".json", ".csv"):
        what = "its name does not end in .json or .csv"
        raise WriteError(path, what, *_ANOTHER_NAME)
    refuse_captures((path,), captures_of(folder, load_session(folder)))
    converted = (folder / OUTPUT_NAME).resolve()
    own = {(folder / name).resolve() for name in _OF_THE_SESSION}
    own |= {converted / REPORT, converted / CHECKS}
    if path.resolve() in own or path.resolve().is_relative_to(converted / RECORDS):
        raise WriteError(path, "it is one of the session's own files", *_ANOTHER_NAME)
    refuse_foreign((path,), "readings")


def _probe(folder: Path, plate_id: str, progress: Progress | None) -> Probe:
    settings = load_session(folder)
    plates = {plate.id: plate for plate in settings.plates}
    if plate_id not in plates:
        raise SpotError(
            folder / SESSION_FILE,
            f'lists no plate "{plate_id}"',
            f"name one of: {', '.join(list(plates)[:12]) or 'none there'}",
        )
    light, dark = prepare_light(folder, settings, progress)
    calibration = session_calibration(folder)
    job = PlateJob(
        folder=folder,
        output=folder,
        settings=plates[plate_id],
        scan=settings.scan,
        light=light,
        dark=dark,
        calibration=calibration,
        blanks=blank_digests(folder, settings) if calibration is not None else (),
    )
    with working(progress, plate_id, 1) as told:
        probe = open_probe(job)
        told.advance(plate_id)
    return probe


def _spot(probe: Probe, place: Place, size: Length | None) -> Spot:
    """Return a square; a size in another unit than the place is converted."""
    x, y, unit = place
    side, side_unit = size or usual_size(probe)
    if side_unit != unit:
        scale = probe.mm_per_px
        if scale is None:
            raise SpotError(
                probe.view.info.path,
                "has no size in millimetres",
                "give places and sizes in pixels of the positive, such as 40px",
                "size",
            )
        side = side / scale if unit == "px" else side * scale
    return Spot(x=x, y=y, size=side, unit=unit)
