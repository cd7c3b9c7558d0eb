"""The demo's plate log: what the maker of its invented plates wrote down."""

from __future__ import annotations

from collections.abc import Sequence

from platebench.files.csv_table import write_csv_rows
from platebench.plate_log.cells import COLUMNS

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
_LENS = {"lens": "rapid rectilinear, 210 mm", "bellows_mm": "215", "f_number": "f/16"}
_PLATES: tuple[dict[str, str], ...] = (
    {"title": "Tree by the lake", "place": "north shore", "date": "2031-05-18"}
    | {"light": "clear sky, noon", "metered_s": "1/2", "given_s": "1 s"}
    | _LENS
    | _BATCH_14,
    {"title": "House front", "place": "Mill Lane", "date": "2031-05-18"}
    | {"light": "shade", "metered_s": "4 s", "given_s": "8 s", "notes": "for the density: 8 min"}
    | _LENS
    | _BATCH_14
    | {"develop_s": "8 min"},
    {"title": "Bottle, jug and fruit", "date": "2031-05-20", "light": "window", "given_s": "2 min"}
    | _BATCH_14,
    {"title": "Sailing out", "date": "2031-05"} | _BATCH_14,
    {"title": "Fern and grasses", "date": "189X", "notes": "found in a box; yellow stain"},
    {"title": "Cat", "date": "2031-05-21", "notes": "too short"} | _BATCH_14,
    {"title": "Cup", "date": "2031-05-21"} | _BATCH_14,
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
