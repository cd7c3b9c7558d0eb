"""What was measured into a process profile of one's own; what else stands in the file stays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Array, Table

from platebench.core.errors import SettingsFileError
from platebench.core.files import atomic_write, make_folder
from platebench.core.plate_names import as_text
from platebench.printing.print_look import PrintCurve, PrintLook, Status
from platebench.printing.process import (
    ExposureScale,
    NegativeInk,
    Process,
    ProcessCalibration,
)

_BY_HAND = "Written by platebench; what you change by hand in other tables is kept."
_A_LINE = 10  # numbers


def write_profile(
    path: Path,
    process: Process,
    *,
    calibration: ProcessCalibration | None = None,
    scale: ExposureScale | None = None,
    curve: PrintCurve | None = None,
    ink: NegativeInk | None = None,
    whole: bool = False,
) -> None:
    """Write a user's process profile, or the new tables of one that is there.

    Parameters
    ----------
    path : Path
        ``NAME.toml``; its folder is made.
    process : Process
        What it is the profile of.
    calibration : ProcessCalibration, optional
        Replaces the one in the file; its depth goes into ``[print]`` as tested.
    scale : ExposureScale, optional
        Replaces the one in the file.
    curve : PrintCurve, optional
        Replaces the one in the file.
    ink : NegativeInk, optional
        Replaces the one in the file; a calibration there, made through another ink, goes.
    whole : bool
        Also write title, light, hazards and the rest: no profile of that name comes along.

    Raises
    ------
    SettingsFileError
        If the file that is there cannot be read.
    WriteError
        If it cannot be written.
    """
    document = _document(path)
    if whole:
        _fill(document, process)
    if scale is not None:
        document.pop("grade", None)
        document["exposure_scale"] = _scale(scale)
    if curve is not None:
        document["print_curve"] = _curve(curve)
    if ink is not None:
        document.pop("calibration", None)
        document["ink"] = {
            key: list(value) if key == "colour" else value
            for key, value in asdict(ink).items()
            if value not in (None, "")
        }
    if calibration is not None:
        document["print"] = _look(process.look, calibration.response.d_max)
        document["calibration"] = _calibration(calibration)
    make_folder(path.parent)
    with atomic_write(path) as stream:
        stream.write(as_text(tomlkit.dumps(document)).encode())


def _document(path: Path) -> tomlkit.TOMLDocument:
    if not path.exists():
        document = tomlkit.document()
        document.add(tomlkit.comment(_BY_HAND))
        return document
    try:
        return tomlkit.parse(path.read_text("utf-8-sig"))
    except (OSError, ValueError) as error:
        what = "cannot be read as TOML"
        raise SettingsFileError(path, what, "correct it, or move it away") from error


def _fill(document: tomlkit.TOMLDocument, process: Process) -> None:
    """Write what a profile needs and this one has not."""
    texts: dict[str, Any] = {
        "title": process.title,
        "light": process.light,
        "contrast": process.contrast,
        "hazards": list(process.hazards),
        "cautions": list(process.cautions),
    }
    tables: dict[str, Any] = {}
    if "exposure_scale" not in document and "grade" not in document:
        if process.scales[0].grade:
            tables["grade"] = [{"name": s.grade, **_scale(s)} for s in process.scales]
        else:
            tables["exposure_scale"] = _scale(process.scales[0])
    band = process.band
    tables["print_curve"] = _curve(process.print_curve)
    if band is not None:
        tables["spectral_band"] = {"low": band.low, "high": band.high, "status": str(band.status)}
    for key, value in (texts | tables).items():
        if key not in document:
            document[key] = value


def _scale(scale: ExposureScale) -> dict[str, Any]:
    numbers = ("low", "typical", "high")
    status = dict(zip(numbers, map(str, scale.status), strict=True))
    kept = [name for name in numbers if status[name] != Status.STEP]
    table: dict[str, Any] = {name: round(getattr(scale, name), 3) for name in kept}
    table["status"] = {name: status[name] for name in kept}
    if scale.adjustable:
        table["adjustable"] = True
    return table | ({"source": scale.source} if scale.source else {})


def _curve(curve: PrintCurve) -> dict[str, Any]:
    points = [[x, y] for x, y in zip(curve.exposure, curve.tone, strict=True)]
    return {"points": points, **_standing(curve.status, curve.source)}


def _look(look: PrintLook, d_max: float) -> dict[str, Any]:
    names = ("d_max", "paper_white", "middle_hue", "black_hue")
    status = dict(zip(names, map(str, look.status), strict=True)) | {"d_max": str(Status.TESTED)}
    table: dict[str, Any] = {
        "d_max": round(d_max, 3),
        "paper_white": list(look.paper_white),
        "middle_hue": list(look.middle_hue),
        "black_hue": list(look.black_hue),
        "status": status,
    }
    return table | ({"source": look.source} if look.source else {})


def _standing(status: Status, source: str) -> dict[str, Any]:
    return {"status": str(status)} | ({"source": source} if source else {})


def _calibration(found: ProcessCalibration) -> Table:
    table = tomlkit.table()
    table.add(tomlkit.comment("Made by calibrate-process: not to be changed by hand."))
    table.add("residual", round(found.residual, 4))
    table.add("noise", round(found.noise, 4))
    table.add("evenness", round(found.evenness, 4))
    if found.colour is not None:
        table.add("colour", list(found.colour))
    table.add("ink", _numbers(found.response.ink))
    table.add("density", _numbers(found.response.density))
    prints = tomlkit.aot()
    for one in found.prints:
        each = tomlkit.table()
        each.add("scan", one.scan)
        each.add("chart", one.chart)
        for key, values in (("ink", one.ink), ("density", one.density), ("error", one.error)):
            each.add(key, _numbers(values))
        prints.append(each)
    table.add("print", prints)
    return table


def _numbers(values: Sequence[float]) -> Array:
    array = tomlkit.array()
    for start in range(0, len(values), _A_LINE):
        array.add_line(*values[start : start + _A_LINE])
    array.add_line(indent="")
    return array
