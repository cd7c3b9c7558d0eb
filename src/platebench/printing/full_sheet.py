"""Several negatives on one sheet of film: packed, with lines to cut along between them.

Negatives keep their margins, in which plate, process and side are written; nothing is scaled.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from platebench.core.files import atomic_write, refuse_foreign
from platebench.core.formats import MM_PER_INCH, PlateFormat
from platebench.core.version import __version__
from platebench.printing.negative_layout import HAIR, Margins
from platebench.printing.process import Colour, codes_of, coloured
from platebench.write.negative_sheet import write_raster_pdf
from platebench.write.tiff import stored_bands, stored_pixels, write_print_negative

GAP_MM = 2.0  # between two negatives, a cutting line in its middle
Turn = Literal["never", "if need be", "freely"]
_TURNS: tuple[Turn, ...] = ("never", "if need be", "freely")
_BAND_ROWS = 96


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Something that lies on a sheet; its pixels are a TIFF of ours or an array.

    Attributes
    ----------
    name : str
    codes : ndarray of uint16, shape (M, N) or (M, N, 3)
        As the file of the film has it.
    """

    name: str
    codes: NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a piece lies; lengths in pixels of the printer from the sheet's top left.

    Attributes
    ----------
    piece : int
        Its number.
    top, left, rows, columns : int
        As it lies.
    turned : bool
        By a quarter turn.
    """

    piece: int
    top: int
    left: int
    rows: int
    columns: int
    turned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FullSheet:
    """A sheet that was written.

    Attributes
    ----------
    files : tuple of Path
        TIFF, PDF, record.
    record : dict
        JSON types only.
    """

    files: tuple[Path, ...]
    record: dict[str, Any]


def piece_of(name: str, tiff: Path) -> Piece:
    """Return a print negative that was written, its pixels left on disk."""
    return Piece(name=name, codes=stored_pixels(tiff))


def fits_film(shape: tuple[int, int], film: PlateFormat, ppi: float) -> bool:
    """Tell whether a piece of so many rows and columns lies on a film, either way round."""
    short, long = (round(side * ppi / MM_PER_INCH) for side in (film.short_mm, film.long_mm))
    return min(shape) <= short and max(shape) <= long


def pack(shapes: Sequence[tuple[int, int]], film: tuple[int, int], gap: int) -> list[list[Place]]:
    """Lay pieces on as few sheets as a greedy search finds, turned only where that saves one.

    Maximal free rectangles, best short side first (J. Jylänki, *A thousand ways to pack the bin*,
    2010; from memory), tried in several orders.

    Parameters
    ----------
    shapes : sequence of (int, int)
        Rows and columns of each; each fits the film.
    film : (int, int)
        Rows and columns of a sheet.
    gap : int
        Between two pieces.

    Returns
    -------
    list of list of Place
        A list for each sheet, the block of pieces in its middle.
    """
    numbers = range(len(shapes))
    orders = (
        numbers,
        sorted(numbers, key=lambda n: -shapes[n][0] * shapes[n][1]),
        sorted(numbers, key=lambda n: -max(shapes[n])),
        sorted(numbers, key=lambda n: -min(shapes[n])),
    )
    tries = [_packed(order, shapes, film, gap, turn) for turn in _TURNS for order in orders]
    best = min(
        (found for found in tries if found is not None),
        key=lambda sheets: (len(sheets), sum(one.turned for sheet in sheets for one in sheet)),
    )
    return [_centred(sheet, film) for sheet in best]


def write_full_sheets(
    folder: Path,
    pieces: Sequence[Piece],
    *,
    film: PlateFormat,
    ppi: float,
    margins: Margins,
    stem: str,
    colour: Colour | None = None,
) -> list[FullSheet]:
    """Write sheets of film as TIFF and PDF of the film's own size, with a record each.

    Parameters
    ----------
    folder : Path
        Where the files go; it is there already.
    pieces : sequence of Piece
        Each fits the film.
    film : PlateFormat
    ppi : float
        The printer's.
    margins : {"clear", "opaque"}
        Of the pieces; what lies between them is alike.
    stem : str
        Beginning of the files' names.
    colour : tuple of 3 float, optional
        Of the pieces' ink; None for grey.

    Raises
    ------
    WriteError
        If a file could not be written, or one of that name is not from here.
    """
    per_mm = ppi / MM_PER_INCH
    shape = round(film.long_mm * per_mm), round(film.short_mm * per_mm)
    shapes = [(piece.codes.shape[0], piece.codes.shape[1]) for piece in pieces]
    sheets = pack(shapes, shape, round(GAP_MM * per_mm))
    planned = [
        tuple(folder / f"{stem}-{number}of{len(sheets)}{end}" for end in (".tif", ".pdf", ".json"))
        for number in range(1, len(sheets) + 1)
    ]
    refuse_foreign([path for files in planned for path in files], "negative")
    written = []
    for number, (places, files) in enumerate(zip(sheets, planned, strict=True), start=1):
        title = f"{stem}, sheet {number} of {len(sheets)}"
        write_print_negative(
            files[0],
            shape if colour is None else (*shape, 3),
            _bands(shape, places, pieces, per_mm, margins, colour),
            ppi=ppi,
            description=title,
            software=f"platebench {__version__}",
        )
        write_raster_pdf(files[1], *stored_bands(files[0]), ppi=ppi, title=title)
        record = _record(places, pieces, shape, film, per_mm) | {
            "sheet": number,
            "of": len(sheets),
            "ppi": ppi,
            "platebench": __version__,
        }
        with atomic_write(files[2]) as stream:
            stream.write((json.dumps(record, indent=2, allow_nan=False) + "\n").encode())
        written.append(FullSheet(files=files, record=record))
    return written


_Free = tuple[int, int, int, int]  # top, left, bottom, right


def _packed(
    order: Sequence[int],
    shapes: Sequence[tuple[int, int]],
    film: tuple[int, int],
    gap: int,
    turn: Turn,
) -> list[list[Place]] | None:
    """Lay pieces in an order; None where one fits only turned, and none may be."""
    whole = (0, 0, film[0] + gap, film[1] + gap)
    sheets: list[tuple[list[Place], list[_Free]]] = []
    for number in order:
        place = None
        for places, free in sheets:
            if place := _best(number, shapes[number], free, gap, turn):
                places.append(place)
                break
        else:
            free = [whole]
            if (place := _best(number, shapes[number], free, gap, turn)) is None:
                return None
            sheets.append(([place], free))
        free[:] = _left_of(free, place, gap)
    return [places for places, _ in sheets]


def _best(
    number: int, shape: tuple[int, int], free: Sequence[_Free], gap: int, turn: Turn
) -> Place | None:
    """Return the place that leaves the shorter side of a free rectangle least over."""
    found: list[tuple[tuple[int, ...], Place]] = []
    for turned in (False,) if turn == "never" else (False, True):
        rows, columns = shape[::-1] if turned else shape
        for top, left, bottom, right in free:
            spare = sorted((bottom - top - rows - gap, right - left - columns - gap))
            first = turned and turn == "if need be"
            if spare[0] >= 0:
                place = Place(
                    piece=number, top=top, left=left, rows=rows, columns=columns, turned=turned
                )
                found.append(((first, *spare, top, left, turned), place))
    return min(found, key=lambda one: one[0])[1] if found else None


def _left_of(free: Sequence[_Free], place: Place, gap: int) -> list[_Free]:
    """Return the largest rectangles that stay free."""
    low, far = place.top + place.rows + gap, place.left + place.columns + gap
    cut = []
    for top, left, bottom, right in free:
        if place.top >= bottom or low <= top or place.left >= right or far <= left:
            cut.append((top, left, bottom, right))
            continue
        cut += [
            (top, left, place.top, right),
            (low, left, bottom, right),
            (top, left, bottom, place.left),
            (top, far, bottom, right),
        ]
    real = list({one for one in cut if one[0] < one[2] and one[1] < one[3]})
    return [
        one
        for one in real
        if not any(
            other != one and other[0] <= one[0] and other[1] <= one[1]
            and other[2] >= one[2] and other[3] >= one[3]
            for other in real
        )
    ]  # fmt: skip


def _centred(places: Sequence[Place], film: tuple[int, int]) -> list[Place]:
    down = (film[0] - max(one.top + one.rows for one in places)) // 2
    across = (film[1] - max(one.left + one.columns for one in places)) // 2
    return [replace(one, top=one.top + down, left=one.left + across) for one in places]


def _bands(
    shape: tuple[int, int],
    places: Sequence[Place],
    pieces: Sequence[Piece],
    per_mm: float,
    margins: Margins,
    colour: Colour | None,
) -> Iterator[NDArray[np.uint16]]:
    """Yield a sheet's rows from the top."""
    inks = np.array([0.0, 1.0] if margins == "clear" else [1.0, 0.0], np.float32)
    ground, line = coloured(codes_of(inks), colour)
    half, hair = round(GAP_MM / 2 * per_mm), max(1, round(HAIR * per_mm))
    laid = [
        np.rot90(pieces[one.piece].codes) if one.turned else pieces[one.piece].codes
        for one in places
    ]
    for top in range(0, shape[0], _BAND_ROWS):
        bottom = min(top + _BAND_ROWS, shape[0])
        band = np.empty((bottom - top, shape[1], *ground.shape), np.uint16)
        band[...] = ground
        for one in places:  # lines first, so that none runs over a neighbour
            first, last = one.top - half, one.top + one.rows + half
            left, right = one.left - half, one.left + one.columns + half
            across = slice(max(0, left), max(0, right))
            for edge in (first, last - hair):
                band[_within(edge, edge + hair, top, bottom), across] = line
            for edge in (left, right - hair):
                down = slice(max(0, edge), max(0, edge + hair))
                band[_within(first, last, top, bottom), down] = line
        for one, codes in zip(places, laid, strict=True):
            inside = _within(one.top, one.top + one.rows, top, bottom)
            part = codes[inside.start + top - one.top : inside.stop + top - one.top]
            band[inside, one.left : one.left + one.columns] = part
        yield band


def _within(first: int, last: int, top: int, bottom: int) -> slice:
    """Return which rows of a band lie between two rows of the sheet."""
    low = min(max(first, top), bottom)
    return slice(low - top, max(low, min(last, bottom)) - top)


def _record(
    places: Sequence[Place],
    pieces: Sequence[Piece],
    shape: tuple[int, int],
    film: PlateFormat,
    per_mm: float,
) -> dict[str, Any]:
    taken = sum(one.rows * one.columns for one in places)
    return {
        "film": film.name,
        "film_mm": [round(film.short_mm, 2), round(film.long_mm, 2)],
        "fill": round(taken / (shape[0] * shape[1]), 3),
        "pieces": [
            {
                "name": pieces[one.piece].name,
                "left_mm": round(one.left / per_mm, 2),
                "top_mm": round(one.top / per_mm, 2),
                "width_mm": round(one.columns / per_mm, 2),
                "height_mm": round(one.rows / per_mm, 2),
                "turned": one.turned,
            }
            for one in places
        ],
    }
