"""One print negative: a picture and its table of inks to TIFF, PDF and soft proof."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from platebench.core.formats import MM_PER_INCH, PlateFormat
from platebench.core.version import __version__
from platebench.printing.negative_layout import (
    HAIR,
    Contact,
    Margins,
    NegativeLayout,
    film_for,
    film_notes,
    plan_negative,
)
from platebench.printing.negative_tone import LONG_SIDE, Aim, wedge_inks, write_soft_proof
from platebench.printing.print_look import GENERAL_LOOK
from platebench.printing.print_picture import Resampler
from platebench.printing.print_size import PRINTER_PPI, PrintSize, plan_print_size
from platebench.printing.process import Colour, Process, coloured, response_of
from platebench.write.negative_sheet import NegativeSheet, write_raster_pdf
from platebench.write.tiff import stored_bands, write_print_negative

NOT_CALIBRATED = (
    "not calibrated: the tones rest on the profile's starting values, so the first print is a "
    "trial; how much ultraviolet your ink holds back does not show by eye: print the chart that "
    "process-chart makes, then run calibrate-process"
)
NO_HUE = "the profile says nothing of paper and hue: the proof shows a general matt print"
_HELD_BACK = 0.02  # D above paper white that nobody sees


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeOrder:
    """What a person asks for.

    Attributes
    ----------
    size : PlateFormat or None
        Sides on the film that the picture is to fit into.
    enlarge : float or None
        Or times the plate's own size; neither: the plate's own size.
    ppi : float
        The printer's pixels per inch.
    contact : {"ink", "base"}
        Side of the film that touches the sensitised paper.
    margins : {"clear", "opaque"}
    aim : {"positive", "facsimile"}
    """

    size: PlateFormat | None = None
    enlarge: float | None = None
    ppi: float = PRINTER_PPI
    contact: Contact = "ink"
    margins: Margins = "clear"
    aim: Aim = "positive"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NegativeSource:
    """What a print negative is made from.

    Attributes
    ----------
    plate_id : str
    path : Path
        The file, for messages.
    codes : ndarray of uint16, shape (M, N)
        The picture, reading right.
    table : ndarray of uint16, shape (65536,)
        Value of the print negative for each code.
    ppi : float or None
        Pixels per inch of the plate.
    no_size : (str, str) or None
        Why there is no ``ppi``, and what to do; see :func:`plan_print_size`.
    efficiency, efficiency_sigma : float or None
        Share of its pixels the capture resolves, and its standard error, where it was measured.
    notes : tuple of str
        What a person should know before printing.
    read_as : tuple of str
        How the file was read, for the record.
    """

    plate_id: str
    path: Path
    codes: NDArray[np.uint16]
    table: NDArray[np.uint16]
    ppi: float | None
    no_size: tuple[str, str] | None = None
    efficiency: float | None = None
    efficiency_sigma: float | None = None
    notes: tuple[str, ...] = ()
    read_as: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadeNegative:
    """Files written, and what is to be known of them.

    Attributes
    ----------
    files : tuple of Path
        TIFF, PDF, soft proof.
    record : dict
        JSON types only; deterministic.
    notes : tuple of str
        What a person should know before printing.
    """

    files: tuple[Path, ...]
    record: dict[str, Any]
    notes: tuple[str, ...]


def size_of(source: NegativeSource, order: NegativeOrder) -> PrintSize:
    """Return the size of a print negative's picture; see :func:`plan_print_size`."""
    rows, columns = source.codes.shape
    return plan_print_size(
        source.path,
        (rows, columns),
        source.ppi,
        size=order.size,
        enlarge=order.enlarge,
        ppi=order.ppi,
        no_size=source.no_size,
    )


def make_negative(
    source: NegativeSource, process: Process, order: NegativeOrder, folder: Path
) -> MadeNegative:
    """Write a print negative as TIFF and PDF, and a soft proof of its print.

    Parameters
    ----------
    source : NegativeSource
        Picture and table.
    process : Process
        The printing process.
    order : NegativeOrder
        Size, side and margins.
    folder : Path
        Where the files go; it is there already.

    Raises
    ------
    PrintNegativeError
        If the size cannot be made.
    WriteError
        If a file could not be written.
    """
    planned, response = plan_sheet(source, process, order), response_of(process)
    size, layout = planned
    stem = stem_of(source.plate_id, process, order, size)
    tiff, pdf, proof = (folder / f"{stem}{end}" for end in (".tif", ".pdf", "-proof.jpg"))
    write_sheet(tiff, planned, source, order, process.colour)
    write_raster_pdf(pdf, *stored_bands(tiff), ppi=order.ppi, title=stem)
    write_soft_proof(proof, small_sheet(planned, source), response, process.look)
    notes = (
        *source.notes,
        *(() if response.calibrated else (NOT_CALIBRATED,)),
        *film_notes(layout),
        *size.resolution_notes(source.efficiency, source.efficiency_sigma),
        *_reach_notes(response.d_min),
        *((NO_HUE,) if process.look == GENERAL_LOOK else ()),
    )
    record = _record(source, process, order, size, layout) | {"notes": list(notes)}
    return MadeNegative(files=(tiff, pdf, proof), record=record, notes=notes)


def plan_sheet(
    source: NegativeSource, process: Process, order: NegativeOrder
) -> tuple[PrintSize, NegativeLayout]:
    """Return the size of a print negative's picture, and what lies where on its film.

    Raises
    ------
    PrintNegativeError
        If the size cannot be made.
    """
    size = size_of(source, order)
    layout = plan_negative(
        size.width_mm,
        size.height_mm,
        wedge=wedge_inks(response_of(process)),
        facts=_facts(source, process, order, size),
        contact=order.contact,
        margins=order.margins,
        room=size.room_mm,
    )
    return size, layout


def write_sheet(
    path: Path,
    planned: tuple[PrintSize, NegativeLayout],
    source: NegativeSource,
    order: NegativeOrder,
    colour: Colour | None = None,
) -> None:
    """Write a planned print negative as a TIFF, band by band: grey, or RGB in a colour of ink.

    Raises
    ------
    WriteError
        If it could not be written.
    """
    size, layout = planned
    sheet = lay_sheet(layout, size)

    picture = Resampler(source.codes, size.shape)

    def picture_rows(top: int, bottom: int, out: NDArray[np.uint16]) -> None:
        picture.rows(top, bottom, out)
        cv2.LUT(out, source.table, dst=out)

    bands = sheet.bands(picture_rows, mirror=order.contact == "ink")
    write_print_negative(
        path,
        sheet.shape if colour is None else (*sheet.shape, 3),
        (coloured(band, colour) for band in bands),
        ppi=order.ppi,
        description=f"Plate {source.plate_id}: print negative",
        software=f"platebench {__version__}",
    )


def small_sheet(
    planned: tuple[PrintSize, NegativeLayout], source: NegativeSource
) -> NDArray[np.uint16]:
    """Return a planned print negative as the print is seen, small enough for a screen.

    Returns
    -------
    ndarray of uint16, shape (M, N)
        All of the film, margins, marks and wedge too; not mirrored.
    """
    size, layout = planned
    ppi = LONG_SIDE * MM_PER_INCH / max(layout.width, layout.height)
    rows, columns = (max(1, round(side * ppi / size.ppi)) for side in size.shape)
    picture = Resampler(source.codes, (rows, columns)).whole()
    picture = np.asarray(cv2.LUT(picture, source.table), np.uint16)
    sheet = lay_sheet(layout, replace(size, shape=(rows, columns), ppi=ppi))

    def picture_rows(top: int, bottom: int, out: NDArray[np.uint16]) -> None:
        out[...] = picture[top:bottom]

    return np.concatenate(list(sheet.bands(picture_rows, mirror=False)))


def stem_of(plate_id: str, process: Process, order: NegativeOrder, size: PrintSize) -> str:
    """Return the name of a print negative's files: plate, process, size, and aim if unusual."""
    aim = "" if order.aim == "positive" else f"-{order.aim}"
    return f"{plate_id}-{process.name}-{size.width_mm:.0f}x{size.height_mm:.0f}mm{aim}"


def lay_sheet(layout: NegativeLayout, size: PrintSize) -> NegativeSheet:
    """Return a layout as something that can be drawn at the printer's resolution."""
    sheet = NegativeSheet(
        size.shape,
        place=(layout.picture.left, layout.picture.top),
        size=(layout.width, layout.height),
        ppi=size.ppi,
        margin_ink=layout.margin_ink,
    )
    for patch in layout.patches:
        sheet.patch(patch.box, patch.ink)
    for ring in layout.rings:
        sheet.ring(ring.across, ring.down, ring.radius, HAIR, layout.mark_ink)
    for line in layout.words:
        sheet.words(line.across, line.down, line.text, line.font, line.size_pt, layout.mark_ink)
    return sheet


def _facts(
    source: NegativeSource, process: Process, order: NegativeOrder, size: PrintSize
) -> tuple[str, ...]:
    return (
        source.plate_id,
        process.name,
        f"{size.width_mm:.1f} x {size.height_mm:.1f} mm",
        "" if order.aim == "positive" else order.aim,
        "calibrated" if response_of(process).calibrated else "not calibrated",
    )


def _reach_notes(d_min: float) -> tuple[str, ...]:
    if d_min <= _HELD_BACK:
        return ()
    return (
        f"full ink does not hold the paper's white: the lightest tone prints at {d_min:z.2f} D; "
        "choose a heavier ink setting and calibrate again",
    )


def _record(
    source: NegativeSource,
    process: Process,
    order: NegativeOrder,
    size: PrintSize,
    layout: NegativeLayout,
) -> dict[str, Any]:
    response = response_of(process)
    return {
        "plate": source.plate_id,
        "read_as": list(source.read_as),
        "process": process.name,
        "calibrated": response.calibrated,
        **({} if process.colour is None else {"ink_colour": list(process.colour)}),
        "aim": order.aim,
        "contact": order.contact,
        "mirrored": order.contact == "ink",
        "margins": order.margins,
        "picture_mm": [round(size.width_mm, 2), round(size.height_mm, 2)],
        "fitted_into_mm": None
        if size.room_mm is None
        else [round(side, 2) for side in size.room_mm],
        "film_mm": [round(layout.width, 2), round(layout.height, 2)],
        "film": film_for(layout),
        "ppi": size.ppi,
        "picture_px": [size.shape[1], size.shape[0]],
        "enlargement": None if size.enlargement is None else round(size.enlargement, 4),
        "plate_px": [size.source[1], size.source[0]],
        "detail_ppi": round(size.detail_ppi, 1),
        "resolved_share": None if source.efficiency is None else round(source.efficiency, 3),
        "resolved_share_sigma": None
        if source.efficiency_sigma is None
        else round(source.efficiency_sigma, 3),
        "ruler_mm": layout.ruler_mm,
        "print_d_max": round(response.d_max, 3),
        "print_d_min": round(response.d_min, 3),
        "tones_in_table": int(np.unique(source.table).size),
    }
