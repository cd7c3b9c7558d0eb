"""``session.toml`` to settings: every problem of the file in one go, nothing guessed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args, get_type_hints

from platebench.core.checked_table import CheckedTable, as_number, read_toml
from platebench.core.errors import SessionFolderError
from platebench.core.formats import FORMATS, format_named, ratio_of
from platebench.core.plate_names import fault_of_capture, fault_of_id, folded_id, stem_of
from platebench.core.settings import (
    LIGHT_KEYS,
    PICTURE_KEYS,
    PLATE_KEYS,
    SESSION_FILE,
    SHARED_KEYS,
    Corners,
    PictureSettings,
    PlateSettings,
    ScanSettings,
    SessionSettings,
    range_of,
)
from platebench.plate_log.entry import RIGHTS

FILE_NAME = SESSION_FILE

TOP_KEYS = ("title", "light", "scan", "rights", "every_plate", "plate")
SCAN_KEYS = tuple(each.name for each in fields(ScanSettings))
OWN_KEYS = tuple(key for key in PLATE_KEYS if key not in SHARED_KEYS)
SIDE_MM_RANGE = (10.0, 2000.0)
SCALE_RANGE = (0.1, 1000.0)  # pixels per mm: 2.5 to 25,400 an inch
_ROUNDED = 1e-4  # by which a written sum may pass the whole

_ELSEWHERE = {
    "title": "at the top of the file, before the first [table]",
    **dict.fromkeys(LIGHT_KEYS, "under [light]"),
    **dict.fromkeys(SCAN_KEYS, "under [scan]"),
    **dict.fromkeys(RIGHTS, "under [rights]"),
    **dict.fromkeys(SHARED_KEYS, "under [every_plate] or [[plate]]"),
    **dict.fromkeys(OWN_KEYS, "under [[plate]]"),
}


def load_session(folder: Path) -> SessionSettings:
    """Return the settings of a session folder.

    Parameters
    ----------
    folder : Path
        The session folder, holding ``session.toml``.

    Raises
    ------
    SessionFolderError
        If there is no such folder.
    SettingsFileError
        If the file is missing or not TOML.
    BadSettingError, BadSettingsError
        If one setting, or several, cannot be used.
    """
    require_folder(folder)
    path = folder / FILE_NAME
    return session_from_toml(read_toml(path), path)


def require_folder(folder: Path) -> None:
    """Refuse what cannot be a session.

    Raises
    ------
    SessionFolderError
        If there is no such folder.
    """
    if not folder.is_dir():
        what = "is a file, not a folder" if folder.exists() else "does not exist"
        raise SessionFolderError(folder, what, "name the folder that holds the captures")


def session_from_toml(values: Mapping[str, Any], path: Path) -> SessionSettings:
    """Return the settings that parsed TOML spells out; ``path`` is named in messages.

    Raises
    ------
    BadSettingError, BadSettingsError
        If one setting, or several, cannot be used.
    """
    top = CheckedTable(path, "", values, [])
    top.check_keys(TOP_KEYS, _ELSEWHERE)
    title = top.text("title", "")

    light = top.table("light")
    light.check_keys(LIGHT_KEYS, _ELSEWHERE)
    named = {key: _captures(light, key) for key in LIGHT_KEYS}
    kinds = {"blank": "a blank frame", "dark": "a dark frame", "card": "a capture of the card"}
    for place, key in enumerate(LIGHT_KEYS):
        for other in LIGHT_KEYS[:place]:
            for name in sorted(set(named[key]) & set(named[other])):
                what = f'lists "{name}", {kinds.get(other, f"which {other} lists too")}'
                light.problem(key, what, "list it in one of the two")

    scan_table = top.table("scan")
    scan_table.check_keys(SCAN_KEYS, _ELSEWHERE)
    scan = ScanSettings(**_read_fields(scan_table, SCAN_KEYS, ScanSettings()))

    marks = top.table("rights")
    marks.check_keys(RIGHTS, _ELSEWHERE)
    rights = {key: said for key in RIGHTS if (said := marks.text(key, ""))}

    shared = top.table("every_plate")
    shared.check_keys(SHARED_KEYS, _ELSEWHERE)
    # What a positive shows stays as it lies, unless somebody says how the plate lay.
    side: Literal["camera", "light"] = "light" if scan.shows == "positive" else "camera"
    every_plate = PlateSettings(id="", captures=(), emulsion=side)
    every_plate = replace(every_plate, **_read_fields(shared, SHARED_KEYS, every_plate))

    plates = []
    ids: dict[str, str] = {}
    for table in top.tables("plate"):
        plate = _plate_settings(table, every_plate, named)
        names = {plate.id: f"{table.name}.id is"} if plate.id else {}
        for one in plate.pictures:  # their files may lie beside those of plates
            names[stem_of(f"{plate.id}/{one.id}")] = f"files of a picture of {table.name} are"
        for name, said in names.items():
            first = ids.setdefault(folded_id(name), said)
            if first != said:
                table.problem("id", f'is "{name}", as {first}', "give each plate its own id")
        plates.append(plate)
    top.finish()
    return SessionSettings(
        title=title, **named, scan=scan, rights=rights, plates=beside_each_other(plates)
    )


def beside_each_other(plates: Sequence[PlateSettings]) -> tuple[PlateSettings, ...]:
    """Return plates that know of others in their captures; one without corners is in doubt."""
    of_capture: dict[str, list[PlateSettings]] = {}
    for plate in plates:
        for name in plate.captures:
            of_capture.setdefault(name, []).append(plate)
    shown = []
    for plate in plates:
        beside = [one for name in plate.captures for one in of_capture[name] if one is not plate]
        if not beside:
            shown.append(plate)
            continue
        outlines = (*plate.others, *(one.corners for one in beside if one.corners))
        others = tuple(o for o in dict.fromkeys(outlines) if o != plate.corners)
        doubt = plate.doubt
        if plate.corners is None and not doubt:
            names = ", ".join(dict.fromkeys(one.id for one in beside))
            doubt = f"shares its capture with {names} and has no corners: give corners to each"
        shown.append(replace(plate, others=others, doubt=doubt))
    return tuple(shown)


def _plate_settings(
    table: CheckedTable, every_plate: PlateSettings, light: Mapping[str, tuple[str, ...]]
) -> PlateSettings:
    table.check_keys(PLATE_KEYS, _ELSEWHERE)
    plate = replace(every_plate, **_read_fields(table, PLATE_KEYS, every_plate))
    if not plate.captures and not table.values.get("captures"):
        table.problem("captures", "is missing", 'list the plate\'s files: captures = ["name"]')
    for name in plate.captures:
        for kind, names in light.items():
            if name in names:
                what = f'lists "{name}", which [light] {kind} lists too'
                table.problem("captures", what, "list it in one of the two")
    return plate


def _read_fields(
    table: CheckedTable, keys: Sequence[str], default: PlateSettings | ScanSettings
) -> dict[str, Any]:
    """Return what a table says of each key, read as its field in the settings asks."""
    return {key: _value(table, key, type(default), getattr(default, key)) for key in keys}


def _value(table: CheckedTable, key: str, owner: type, default: Any) -> Any:
    if key in _READERS:
        return _READERS[key](table, key, default)
    if choices := _choices(owner, key):
        return table.choice(key, choices, default)
    if isinstance(default, float):
        return table.number(key, *range_of(owner, key), default)
    return (table.flag if isinstance(default, bool) else table.text)(key, default)


@cache  # type hints are worked out anew each time: most of the time a long session takes
def _choices(owner: type, key: str) -> tuple[Any, ...]:
    return get_args(get_type_hints(owner)[key])


def _id(table: CheckedTable, key: str, default: str) -> str:
    plate_id = table.text(key, default)
    fault = fault_of_id(plate_id)
    if key not in table:
        table.problem(key, "is missing", 'name the plate, such as id = "plate-001"')
    elif fault and isinstance(table.values[key], str):
        table.problem(key, fault, "use letters, digits, spaces, - and _")
    return plate_id


def _format(table: CheckedTable, key: str, default: str) -> str:
    name = table.text(key, default)
    found = format_named(name) if name.strip() else None
    if not name.strip():
        return ""
    if found is None:
        near = get_close_matches(name.casefold(), [known.name for known in FORMATS], n=1)
        guess = f'did you mean "{near[0]}"? ' if near else ""
        remedy = f'{guess}write a size such as "120 x 90 mm", or "" where it is unknown'
        table.problem(key, f'is "{name}", no known plate size', remedy)
        return default
    low, high = SIDE_MM_RANGE
    if found.short_mm < low or found.long_mm > high:
        remedy = f"write sides of {low:g} to {high:g} mm"
        table.problem(key, f'is "{name}", no size of a plate', remedy)
        return default
    return name.strip()


def _caliper(table: CheckedTable, key: str, _default: object) -> float:
    return table.number(key, *SIDE_MM_RANGE, 0.0) if table.values.get(key) else 0.0


def _numbers(
    table: CheckedTable, key: str, counts: Sequence[int], remedy: str
) -> tuple[float, ...] | None:
    """Return a list of so many numbers, () where it is empty; None, and a problem, if it is not."""
    value = table.values[key]
    numbers = [as_number(one) for one in value] if isinstance(value, list) else []
    known = tuple(number for number in numbers if number is not None)
    if value == [] or (len(known) == len(numbers) and len(known) in counts):
        return known
    table.problem(key, f"is not {' or '.join(map(str, counts))} numbers", remedy)
    return None


def _scale(table: CheckedTable, key: str, default: tuple[float, ...]) -> tuple[float, ...]:
    if key not in table:
        return default
    remedy = "write [pixels per mm, standard error, rows, columns], or [] where it is not known"
    pair = _numbers(table, key, (2, 4), remedy)
    if not pair:
        return ()
    low, high = SCALE_RANGE
    if low <= pair[0] <= high and 0 < pair[1] < pair[0]:
        return pair
    table.problem(key, f"is no scale with its error: {pair[0]:g}, {pair[1]:g}", remedy)
    return ()


def _ratio(table: CheckedTable, key: str, default: str) -> str:
    said = table.text(key, default).strip()
    if not said or ratio_of(said):
        return said
    table.problem(key, f'is "{said}", no ratio', 'write it as "4:5", or "" for none')
    return default


def _box(
    table: CheckedTable, key: str, default: tuple[float, ...], most: float = SIDE_MM_RANGE[1]
) -> tuple[float, ...]:
    if key not in table:
        return default
    remedy = f"write [left, top, width, height], within 0 and {most:g}, or [] for none"
    box = _numbers(table, key, (4,), remedy) or ()
    ends = [start + side for start, side in zip(box[:2], box[2:], strict=True)]
    if box and (min(box[:2]) < 0 or min(box[2:]) <= 0 or max(ends) > most * (1 + _ROUNDED)):
        table.problem(key, "leaves the plate, or has no width or height", remedy)
        return ()
    return box


def _tone(table: CheckedTable, key: str, default: str) -> str:
    name = table.text(key, default)
    fault = fault_of_id(name)
    if fault is None and not name.endswith(".toml"):
        return name
    fault = fault or "ends with .toml"
    table.problem(key, fault, 'write the name of a tone profile, such as "neutral"')
    return default


def _captures(table: CheckedTable, key: str, _default: object = ()) -> tuple[str, ...]:
    names = table.texts(key)
    for place, name in enumerate(names, 1):
        fault = fault_of_capture(name)
        if fault:
            remedy = "name a file inside the session folder, with / between folders"
            table.problem(key, f"has a name that {fault} (number {place})", remedy)
        elif name in names[: place - 1]:
            table.problem(key, f'lists "{name}" twice', "list each file once")
    return names


def _others(table: CheckedTable, key: str, _default: object) -> tuple[Corners, ...]:
    value = table.values.get(key, [])
    if not isinstance(value, list):
        table.problem(key, "is no list of outlines", "write [[[row, column], ...], ...]")
        return ()
    found = [_outline(table, key, outline) for outline in value]
    return tuple(outline for outline in found if outline is not None)


def _corners(table: CheckedTable, key: str, _default: object) -> Corners | None:
    return _outline(table, key, table.values[key]) if key in table else None


def _outline(table: CheckedTable, key: str, value: object) -> Corners | None:
    remedy = "write [[row, column], ...]: top left, top right, bottom right, bottom left"
    pairs = value if isinstance(value, list) else []
    if len(pairs) != 4 or not all(isinstance(pair, list) and len(pair) == 2 for pair in pairs):
        table.problem(key, "is not four [row, column] pairs", remedy)
        return None
    points = []
    for pair in pairs:
        row, column = as_number(pair[0]), as_number(pair[1])
        if row is None or column is None or max(abs(row), abs(column)) > 1e6:
            table.problem(key, "holds something that is not a place in a picture", remedy)
            return None
        points.append((row, column))
    if not _turns_clockwise(points):
        what = "does not go round the plate clockwise, as seen in the capture"
        table.problem(key, what, remedy)
        return None
    return (points[0], points[1], points[2], points[3])


def _pictures(table: CheckedTable, key: str, _default: object) -> tuple[PictureSettings, ...]:
    pictures: list[PictureSettings] = []
    for each in table.tables(key):
        name = f"{table.name}.{each.name}"
        own = CheckedTable(table.path, name, each.values, table.problems)
        picture = _picture(own, str(len(pictures) + 1))
        if folded_id(picture.id) in {folded_id(other.id) for other in pictures}:
            own.problem("id", f'is "{picture.id}" twice', "give each picture its own id")
        pictures.append(picture)
    return tuple(pictures)


def _picture(table: CheckedTable, number: str) -> PictureSettings:
    table.check_keys(PICTURE_KEYS)
    name = table.text("id", number)
    if fault := fault_of_id(name):
        table.problem("id", fault, "use letters, digits, spaces, - and _")
    places = [key for key in ("box", "box_mm", "outline") if key in table]
    if len(places) != 1:
        what = f"are given together: {', '.join(places)}" if places else "is missing"
        table.problem(places[0] if places else "box", what, "give one of box, box_mm and outline")
    ranges = {key: range_of(PlateSettings, key) for key in ("print_stops", "print_contrast")}
    prints = {key: table.number(key, *ends, 1.0) for key, ends in ranges.items() if key in table}
    return PictureSettings(
        id=name,
        box=_box(table, "box", (), 1.0),
        box_mm=_box(table, "box_mm", ()),
        outline=_shares(table, "outline"),
        caption=table.text("caption", ""),
        tone=_tone(table, "tone", "") if table.values.get("tone") else "",
        **prints,
    )


def _shares(table: CheckedTable, key: str) -> tuple[tuple[float, float], ...]:
    if key not in table:
        return ()
    value = table.values[key]
    remedy = "write [[across, down], ...] from 0 to 1, clockwise from the top left"
    pairs = value if isinstance(value, list) else []
    if len(pairs) != 4 or not all(isinstance(pair, list) and len(pair) == 2 for pair in pairs):
        table.problem(key, "is not four [across, down] pairs", remedy)
        return ()
    points = [(as_number(across), as_number(down)) for across, down in pairs]
    known = [(x, y) for x, y in points if x is not None and y is not None]
    if len(known) != 4 or not all(0 <= v <= 1 for pair in known for v in pair):
        table.problem(key, "holds something that is no place on the plate", remedy)
    elif not _turns_clockwise([(y, x) for x, y in known]):
        table.problem(key, "does not go round the picture clockwise", remedy)
    else:
        return tuple(known)
    return ()


def _turns_clockwise(points: list[tuple[float, float]]) -> bool:
    """Tell whether four (row, column) points make a convex figure, clockwise as seen."""
    for i in range(4):
        (r0, c0), (r1, c1), (r2, c2) = (points[(i + k) % 4] for k in range(3))
        # Rows grow downward, so a clockwise turn as seen has (dc1, dr1) x (dc2, dr2) > 0.
        if (c1 - c0) * (r2 - r1) - (r1 - r0) * (c2 - c1) <= 0:
            return False
    return True


_READERS: dict[str, Callable[[CheckedTable, str, Any], Any]] = {
    "id": _id,
    "captures": _captures,
    "format": _format,
    "tone": _tone,
    "scale": _scale,
    "picture_ratio": _ratio,
    "picture_box_mm": _box,
    "long_mm": _caliper,
    "short_mm": _caliper,
    "corners": _corners,
    "others": _others,
    "pictures": _pictures,
}
