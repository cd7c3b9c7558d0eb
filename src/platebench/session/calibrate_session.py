"""Calibrate a session's densities with the capture of a step tablet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from platebench.core.errors import NoDensitiesError, TabletError
from platebench.core.files import atomic_write, make_folder, refuse_foreign
from platebench.core.image import CaptureKind
from platebench.core.progress import Progress, working
from platebench.core.settings import SessionSettings
from platebench.measure.checks.noise import noise_from_plate
from platebench.measure.site_noise import noise_of_sites
from platebench.measure.tablet.calibration_fit import fit_calibration
from platebench.measure.tablet.calibration_report import calibration_plot, calibration_table
from platebench.measure.tablet.known_tablet import STANDARD, KnownTablet, tablet_from_table
from platebench.measure.tablet.read_tablet import TabletReading, read_tablet
from platebench.plate.bands import banded
from platebench.plate.calibration import FILE_NAME, Calibration
from platebench.plate.finding.overview import overview_of
from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.glare_evidence import LitScene, lit_scene
from platebench.plate.light import Dark, Light, light_of_scanner
from platebench.plate.look import relative
from platebench.plate.set_up import SetUp, set_up_of
from platebench.read.capture import read_capture
from platebench.session.jobs import blank_digests, prepare_light
from platebench.session.originals import captures_of, refuse_captures
from platebench.session.session_report import OUTPUT_NAME
from platebench.session.settings_file import load_session

TABLE, PLOT, DRAWING = "calibration.txt", "calibration.png", "calibration.svg"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SessionCalibration:
    """What came of calibrating a session.

    Attributes
    ----------
    calibration : Calibration
        As it was written to ``calibration.json`` beside ``session.toml``.
    reading : TabletReading
        Where the steps lie, and their red, green and blue.
    table : str
        The residual of each step, as text.
    files : tuple of Path
        Files written.
    """

    calibration: Calibration
    reading: TabletReading
    table: str
    files: tuple[Path, ...]


def calibrate_session(
    folder: Path,
    tablet: Path,
    *,
    steps: str | None = None,
    output: Path | None = None,
    progress: Progress | None = None,
) -> SessionCalibration:
    """Read a tablet in the light of a session and write the session's calibration.

    Parameters
    ----------
    folder : Path
        The session folder, holding ``session.toml``.
    tablet : Path
        The capture of the tablet; looked for in the session folder, then where it is named.
    steps : str or None
        "21", "31", or the name of a CSV table of calibrated steps. None: told by their number.
    output : Path or None
        Folder for table and plot; None: ``converted`` in the session folder.
    progress : Progress or None
        Told of the blank frames, and of the tablet's being read and fitted.

    Raises
    ------
    TabletError
        If there is no tablet, it is not the one named, or there is no blank frame.
    PlateError
        If settings or captures cannot be read, or a result cannot be written. Nothing is left
        half done: files are written only once everything is known.
    """
    settings = load_session(folder)
    known = known_tablet(steps, folder)
    path = _there(folder, tablet)
    place = folder / OUTPUT_NAME if output is None else output
    targets = (folder / FILE_NAME, *(place / name for name in (TABLE, PLOT, DRAWING)))
    refuse_captures(targets, (path, *captures_of(folder, settings)))
    refuse_foreign(targets, "calibration")
    light, dark = prepare_light(folder, settings, progress)
    with working(progress, path.name, 2) as told:
        set_up, reading, scene = _read(path, folder, settings, light, dark)
        told.advance("read")
        name = relative(path, folder)
        fitted = fit_calibration(reading, known, path=path, capture=name, scene=scene)
        told.advance("fitted")
    calibration = replace(fitted, set_up=set_up)
    table = calibration_table(calibration)
    png, svg = calibration_plot(calibration)
    make_folder(place)
    files = []
    for name, content in (
        (TABLE, table.encode()),
        (PLOT, png),
        (DRAWING, svg),
    ):
        with atomic_write(place / name) as stream:
            stream.write(content)
        files.append(place / name)
    calibration.save(folder / FILE_NAME)
    return SessionCalibration(
        calibration=calibration,
        reading=reading,
        table=table,
        files=(folder / FILE_NAME, *files),
    )


def _read(
    path: Path, folder: Path, settings: SessionSettings, light: Light | None, dark: Dark | None
) -> tuple[SetUp, TabletReading, LitScene]:
    """Read the tablet's capture: how it was taken, its steps, and all that lies around them."""
    frame = read_capture(path, settings.scan)
    if frame.info.shows_positive:
        raise NoDensitiesError.of_positive(path)
    if light is None and frame.info.kind is CaptureKind.SCAN:
        light = light_of_scanner(frame)
    if light is None:
        raise TabletError(
            path,
            "cannot be measured: the session has no blank frame",
            "capture the bare light box and name it under [light] blank in session.toml",
        )
    image = transmittance_from_counts(frame, light, dark)
    set_up = set_up_of(frame.info, blank_digests(folder, settings))
    noise = noise_of_sites(image, frame, light, noise_from_plate(frame))
    del frame
    reading = read_tablet(image, path, noise)
    scene = lit_scene(overview_of(banded(image)), light)
    level = reading.found.level  # which the steps are divided by already
    return set_up, reading, replace(scene, cells=scene.cells / level, room=scene.room / level)


def known_tablet(steps: str | None, folder: Path) -> KnownTablet | None:
    """Return the tablet that goes by a name: 21, 31, or a table, here or in the session."""
    if steps is None:
        return None
    return STANDARD.get(steps) or tablet_from_table(_there(folder, Path(steps)))


def _there(folder: Path, name: Path) -> Path:
    """Return a file of the session folder, or as it is named."""
    return folder / name if (folder / name).is_file() else name
