"""An invented session: one afternoon's plates, their log, captured as real raw files.

Nothing in it was ever in front of a camera. The scenes are procedural, or pictures of a cat, a cup
and the moon that come with scikit-image; camera, maker and dates are made up.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np

from platebench.core.csv_table import write_csv_rows
from platebench.core.files import atomic_write, make_empty_folder, make_folder
from platebench.core.settings import SESSION_FILE, PlateSettings, SessionSettings
from platebench.plate_log.cells import COLUMNS
from platebench.synthetic import (
    CameraModel,
    EmulsionCurve,
    LightBox,
    PlateModel,
    StepTablet,
    photograph,
    simulate_box_off,
    simulate_card,
    simulate_dark,
    true_transmittance,
    write_dng,
)

_OWN_COLUMN = "shelf"
_BATCH_14 = {
    "emulsion": "blue-sensitive bromide",
    "batch": "14",
    "coated_on": "2031-04-20",
    "developer": "metol hydroquinone",
    "dilution": "1+9",
    "temperature_c": "20",
    "develop_s": "5 min",
    "fixing": "5 min",
    "washing": "15 min",
    _OWN_COLUMN: "A 3",
}
_LENS = {
    "lens": "rapid rectilinear, 210 mm",
    "bellows_mm": "215",
    "focal_mm": "210",
    "f_number": "f/16",
    "metered_on": "average",
}
_WIDE_OPEN = _LENS | {"f_number": "f/8"}
_PLATES: tuple[dict[str, str], ...] = (
    {"title": "Tree by the lake", "place": "north shore", "date": "2031-05-18"}
    | {"light": "clear sky, noon", "metered_s": "1/2", "given_s": "1 s"}
    | {"meter_ev": "15.2", "light_kind": "general", "hour": "12:10", "subject": "landscape"}
    | _LENS
    | _BATCH_14,
    {"title": "House front", "place": "Mill Lane", "date": "2031-05-18"}
    | {"light": "shade", "metered_s": "4 s", "given_s": "8 s", "notes": "for the density: 8 min"}
    | {"meter_ev": "13", "light_kind": "general", "hour": "16:40", "subject": "street"}
    | _LENS
    | _BATCH_14
    | {"develop_s": "8 min"},
    {"title": "Bottle, jug and fruit", "date": "2031-05-20", "light": "window"}
    | {"given_s": "15 min", "meter_ev": "10.4", "light_kind": "indoors", "subject": "still life"}
    | _LENS
    | _BATCH_14,
    {"title": "Sailing out", "date": "2031-05", "given_s": "1 s", "meter_ev": "15.5"}
    | {"light_kind": "sea-and-sky", "subject": "landscape"}
    | _LENS
    | _BATCH_14,
    {"title": "Fern and grasses", "date": "189X", "notes": "found in a box; yellow stain"},
    {"title": "Cat", "date": "2031-05-21", "notes": "too short", "given_s": "8 s"}
    | {"meter_ev": "9.9", "light_kind": "indoors", "subject": "portrait"}
    | _WIDE_OPEN
    | _BATCH_14,
    {"title": "Cup", "date": "2031-05-21", "given_s": "40 s", "meter_ev": "10.5"}
    | {"light_kind": "indoors", "subject": "still life"}
    | _WIDE_OPEN
    | _BATCH_14,
    {"title": "The moon", "date": "1893~", "notes": "from the same box"},
)


def demo_plate_log(plate_ids: Sequence[str]) -> bytes:
    """Return the log as CSV, for plates in the order they were captured."""
    keys = [*(column.key for column in COLUMNS), _OWN_COLUMN]
    headings = [*(column.heading for column in COLUMNS), _OWN_COLUMN]
    rows = []
    for plate_id, noted in zip(plate_ids, _PLATES, strict=False):
        said = noted | {"plate_id": plate_id}
        rows.append([said.get(key, "") for key in keys])
    return write_csv_rows([headings, *rows])


DARKROOM = "darkroom"  # folder of what the maker measured on test plates
_MINUTES = (3, 5, 8, 12)
_GAMMA_INFINITY, _RATE = 1.653, 0.107  # a minute; gamma 0.685 after 5 min and 0.95 after 8
_TEST_LOG_H = 2.5  # log10 lx s without the tablet
_STRIPS_S, _P = (4.0, 22.6, 128.0), 0.87


def demo_test_plates() -> dict[str, bytes]:
    """Return what was read on the maker's test plates, a file each.

    A step wedge a time of development, three strips of equal light times time, and a book of the
    batches before: all invented, batch 14 by the curve of the session's plates.
    """
    rng = np.random.default_rng(14)
    files = {}
    for minutes in _MINUTES:
        gamma = -_GAMMA_INFINITY * float(np.expm1(-_RATE * minutes))
        curve = EmulsionCurve(gamma=gamma, base_fog=0.1 + 0.002 * (minutes - 5))
        tablet = 0.05 + 0.15 * np.arange(21)
        read = curve.density(_TEST_LOG_H - tablet) + rng.normal(0, 0.004, tablet.size)
        rows = [["step", "tablet_density", "density"]]
        rows += [
            [str(n), f"{t:.2f}", f"{d:.3f}"]
            for n, (t, d) in enumerate(zip(tablet, read, strict=True), 1)
        ]
        rows.append(["fog", "", f"{curve.base_fog:.3f}"])
        files[f"batch-14-{minutes}min.csv"] = write_csv_rows(rows)
    rows = [["time_s", "density"]]
    rows += [[f"{t:g}", f"{d:.3f}"] for t, d in zip(_STRIPS_S, _strips(), strict=True)]
    files["strips.csv"] = write_csv_rows(rows)
    rows = [["batch", "coated on", "speed", "gamma", "base plus fog", "Dmax"]]
    for batch in range(2, 14):
        speed, gamma = 2.0 * 2 ** rng.normal(0, 0.15), rng.normal(0.7, 0.03)
        figures = f"{speed:.3g}", f"{gamma:.3f}", f"{rng.normal(0.1, 0.008):.3f}"
        rows.append([str(batch), "", *figures, f"{rng.normal(1.9, 0.06):.2f}"])
    files["batches.csv"] = write_csv_rows(rows)
    return files


def _strips() -> tuple[float, ...]:
    """Return the densities of three strips of equal light times time, given in longer times."""
    lost = (1 - _P) * np.log10(np.array(_STRIPS_S) / _STRIPS_S[0])
    return tuple(float(density) for density in EmulsionCurve().density(1.1 - lost))


_TITLE = "An afternoon's plates"
_FIRST_NUMBER = 231
_START = datetime(2031, 6, 14, 14, 5, 20)
_SHUTTER_S = 1 / 15  # the bare light box fills 87 % of the range
_PX_PER_MM = 12.6  # at 3000 columns; the camera stays where it is, so all plates have one scale

_CAMERA = CameraModel(
    shape=(2000, 3000),
    blur_px=0.7,
    fixed_pattern_e=1.5,
    perspective=(0.002, -0.001),
)
_BOX = LightBox(uneven=0.14, vignette=0.25, glare=0.002, light_seed=4)
_LARGE, _SMALL = "13x18 cm", "9x12 cm"


@dataclass(frozen=True, slots=True, kw_only=True)
class _DemoPlate:
    """One plate of the demo: how it was made and laid down, and what its maker knows."""

    plate: PlateModel
    format: str
    tilt_deg: float
    offset: tuple[float, float] = (0.0, 0.0)
    box: LightBox = _BOX
    exposures_s: tuple[float, ...] = (_SHUTTER_S,)
    rotate: Literal[0, 90, 180, 270] = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shot:
    """One press of the shutter; ``number`` is in the file's name and seeds the noise."""

    number: int
    taken: datetime
    exposure_s: float

    @property
    def name(self) -> str:
        """File name as a camera writes it."""
        return f"HVC_{self.number:04d}.DNG"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Setup:
    """What lay before the camera for some shots: a plate, a card or nothing."""

    shots: tuple[_Shot, ...]
    known: _DemoPlate | None = None
    what: Literal["plate", "box", "lens cap", "card", "box off"] = "box"


def write_demo_session(folder: Path, *, long_side: int = 3000) -> tuple[Path, ...]:
    """Write the captures of an invented session.

    8 plates, 3 blank frames, a dark frame, a large card on the box, and the box switched off.
    Among the plates: a bracket, a black card mask, a holder, a plate seen through the glass, one
    laid sideways and stained, a thin one, and one of which two sides lie outside the frame.

    Parameters
    ----------
    folder : Path
        Made if missing; must be empty. About 150 MB at the usual size.
    long_side : int
        Columns of a capture; two thirds as many rows. Fewer make a quick session for tests.

    Returns
    -------
    tuple of Path
        The files, in the order they were taken.

    Raises
    ------
    WriteError
        If the folder holds something, or the disk refuses.
    """
    make_empty_folder(folder)
    setups = _afternoon()
    with ThreadPoolExecutor(max_workers=2) as pool:
        for _ in pool.map(lambda setup: _capture(setup, folder, long_side), setups):
            pass
    return tuple(folder / shot.name for setup in setups for shot in setup.shots)


TEST_PLATES = "test-plates"  # folder of a session of its own: a plate of strips, an even one


def write_demo_test_session(folder: Path, *, long_side: int = 1500) -> None:
    """Write a small session of two test plates: ``strips``, and ``even`` whose coating is not.

    Raises
    ------
    WriteError
        If the disk refuses.
    """
    make_folder(folder)
    slow = PlateModel(size_mm=(90.0, 120.0), rebate_mm=(3.0,) * 4)
    across = {"size_mm": (84.0, 114.0), "surround": slow.curve.base_fog}
    # The capture shows a plate's emulsion, so its positive is turned left for right.
    strips = StepTablet(densities=_strips()[::-1], grid=(1, 3), **across)  # type: ignore[arg-type]
    places = 1.0 + 0.03 * np.add.outer(np.linspace(-1, 1, 6), np.linspace(-1, 1, 9) ** 2)
    even = StepTablet(densities=tuple(places.ravel()), grid=(6, 9), **across)  # type: ignore[arg-type]
    plates = {"strips": replace(slow, target=strips), "even": replace(slow, target=even)}
    known = [("blank", None), *plates.items()]
    for number, (name, plate) in enumerate(known, _FIRST_NUMBER + 100):
        taken = _START + timedelta(days=1, minutes=number)
        shot = _Shot(number=number, taken=taken, exposure_s=_SHUTTER_S)
        lies = _DemoPlate(plate=plate, format=_SMALL, tilt_deg=0.6) if plate else None
        _capture(_Setup(shots=(shot,), known=lies), folder, long_side, name=f"{name}.dng")
    listed = "".join(f'\n[[plate]]\nid = "{name}"\ncaptures = ["{name}.dng"]\n' for name in plates)
    settings = f'[light]\nblank = ["blank.dng"]\n\n[every_plate]\nformat = "{_SMALL}"\n{listed}'
    with atomic_write(folder / SESSION_FILE) as stream:
        stream.write(settings.encode())


def with_makers_notes(settings: SessionSettings) -> SessionSettings:
    """Return drafted settings with what only the maker of the demo's plates can know.

    Formats, the side the emulsion faced and how each picture lay; the plates are told apart by
    their first capture.
    """
    known = {setup.shots[0].name: setup.known for setup in _afternoon() if setup.known}
    plates = tuple(_noted(plate, known.get(plate.captures[0])) for plate in settings.plates)
    return replace(settings, title=_TITLE, plates=plates)


def _noted(settings: PlateSettings, known: _DemoPlate | None) -> PlateSettings:
    if known is None:
        return settings
    return replace(
        settings,
        format=known.format,
        emulsion="light" if known.plate.glass_side_up else "camera",
        rotate=known.rotate,
    )


def _afternoon() -> list[_Setup]:
    """Return the session in the order it was shot: blank frames, plates, dark frame."""
    clock, number = _START, _FIRST_NUMBER

    def shots(exposures_s: Iterable[float], pause_s: int) -> tuple[_Shot, ...]:
        nonlocal clock, number
        taken = []
        for exposure_s in exposures_s:
            taken.append(_Shot(number=number, taken=clock, exposure_s=exposure_s))
            clock, number = clock + timedelta(seconds=4), number + 1
        clock += timedelta(seconds=pause_s)
        return tuple(taken)

    setups = [_Setup(shots=shots((_SHUTTER_S,) * 3, 40))]
    for index, plate in enumerate(_plates()):
        setups.append(
            _Setup(shots=shots(plate.exposures_s, 75 + 17 * index % 40), known=plate, what="plate")
        )
    last: tuple[tuple[Literal["lens cap", "card", "box off"], float], ...] = (
        ("lens cap", _SHUTTER_S),
        ("card", _SHUTTER_S),
        ("box off", 64 * _SHUTTER_S),
    )
    return [
        *setups,
        *(_Setup(shots=shots((exposure_s,), 60), what=what) for what, exposure_s in last),
    ]


def _capture(setup: _Setup, folder: Path, long_side: int, *, name: str = "") -> None:
    plate = setup.known
    box = plate.box if plate else _BOX
    camera = replace(_CAMERA, shape=(round(long_side / 3) * 2, long_side))
    if plate is not None:
        camera = _framed(camera, plate)
    truth = np.ones(camera.shape, np.float32)
    if plate is not None:
        truth = true_transmittance(plate.plate, box, camera, seed=setup.shots[0].number)
    for shot in setup.shots:
        if setup.what == "lens cap":
            frame = simulate_dark(camera, exposure_s=shot.exposure_s, seed=shot.number)
        elif setup.what == "card":
            frame = simulate_card(
                box, camera, exposure_s=shot.exposure_s, seed=shot.number, aside=0.1
            )
        elif setup.what == "box off":
            frame = simulate_box_off(box, camera, exposure_s=shot.exposure_s, seed=shot.number)
        else:
            frame = photograph(truth, box, camera, exposure_s=shot.exposure_s, seed=shot.number)
        path = folder / (name or shot.name)
        info = replace(frame.info, path=path, taken=shot.taken)
        write_dng(path, replace(frame, info=info), compress=True)


def _framed(camera: CameraModel, plate: _DemoPlate) -> CameraModel:
    height, width = plate.plate.size_mm
    rows, cols = camera.shape
    fill = _PX_PER_MM * cols / 3000 / min(rows / height, cols / width)
    return replace(camera, fill=fill, tilt_deg=plate.tilt_deg, offset=plate.offset)


def _plates() -> tuple[_DemoPlate, ...]:
    """Return the afternoon's plates, in order."""
    slow = PlateModel(
        size_mm=(129.2, 179.0),
        chips=4,
        scratches=2,
        pinholes=6,
        dust=25,
        edge_mm=0.35,
        coating=0.06,
    )
    small = replace(slow, size_mm=(119.4, 89.6), rebate_mm=(2.0, 2.0, 2.0, 2.0), chips=3, dust=15)
    dense = EmulsionCurve(base_fog=0.16, gamma=0.95)
    thin = EmulsionCurve(base_fog=0.12, gamma=0.55)
    card = replace(_BOX, surround="dark", gap_mm=0.0)
    holder = replace(_BOX, surround="holder", gap_mm=0.6, holder_mm=14.0)
    return (
        _DemoPlate(
            plate=replace(slow, scene="landscape", flakes=2, out_of_square_deg=0.25),
            format=_LARGE,
            tilt_deg=-1.3,
        ),
        _DemoPlate(
            plate=replace(slow, scene="facade", curve=dense, log_exposure=2.2, chips=6),
            format=_LARGE,
            tilt_deg=0.7,
            offset=(0.01, 0.01),
            exposures_s=(1 / 30, 1 / 15, 1 / 8),
        ),
        _DemoPlate(
            plate=replace(slow, scene="still life", log_exposure=2.1, coating=0.04),
            format=_LARGE,
            tilt_deg=1.9,
            box=card,
        ),
        _DemoPlate(
            plate=replace(slow, scene="shore", glass_side_up=True, scratches=4),
            format=_LARGE,
            tilt_deg=-0.6,
            offset=(-0.01, 0.015),
        ),
        _DemoPlate(
            plate=replace(
                slow,
                scene="fern",
                turned=90,
                log_exposure=1.7,
                stain=(0.0, 0.04, 0.13),
                veil=(0.0, 0.01, 0.05),
                flakes=3,
            ),
            format=_LARGE,
            tilt_deg=2.4,
            rotate=270,
        ),
        _DemoPlate(
            plate=replace(small, scene="cat", curve=thin, log_exposure=0.55),
            format=_SMALL,
            tilt_deg=-2.2,
            offset=(0.0, -0.03),
        ),
        _DemoPlate(
            plate=replace(small, scene="cup", log_exposure=1.9, dust=40),
            format=_SMALL,
            tilt_deg=0.9,
            offset=(0.01, 0.06),
            box=holder,
        ),
        _DemoPlate(
            plate=replace(slow, scene="moon", curve=dense, log_exposure=1.1),
            format=_LARGE,
            tilt_deg=3.0,
            offset=(0.17, 0.20),
        ),
    )
