"""A first ``session.toml``, explained line by line, for a person to edit.

A draft carries a mark: the start of the SHA-256 of its own text. While the mark fits, nobody has
edited the file, and a new draft may take its place; once it does not, it is never touched.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import tomlkit

from platebench.core.errors import SettingsFileError
from platebench.core.files import atomic_write
from platebench.core.formats import FORMATS
from platebench.core.plate_names import as_text
from platebench.core.settings import SHARED_KEYS, PlateSettings, ScanSettings, SessionSettings
from platebench.plate.shown_tones import SessionTones
from platebench.read.scan_header import FULL_BITS
from platebench.session.scan_hints import tones_said
from platebench.session.settings_file import FILE_NAME

_MARK = "# Draft mark: "
_MARK_LINE = re.compile(rb"^# Draft mark: ([0-9a-f]{16})\n", re.MULTILINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionDraft:
    """What was found in a folder of captures.

    Attributes
    ----------
    settings : SessionSettings
        Blank frames, dark frames and plates, in order.
    remarks : dict of str to str
        What was seen in a capture (exposure, doubts), by file name; becomes a comment.
    left_out : tuple of (str, str)
        Files that are no part of the session, and why; become comments.
    sizes : dict of str to str
        Size and likely formats, by plate id; become comments.
    tones : SessionTones or None
        What the scans seem to show; None where there are none.
    scans_alone : bool
        True where every plate is a scan: which side the emulsion faced is then left unsaid, and
        goes with what the scans show.
    """

    settings: SessionSettings
    remarks: dict[str, str] = field(default_factory=dict)
    left_out: tuple[tuple[str, str], ...] = ()
    sizes: dict[str, str] = field(default_factory=dict)
    tones: SessionTones | None = None
    scans_alone: bool = False


def toml_from_draft(draft: SessionDraft) -> str:
    """Return the text of a commented ``session.toml``, its mark included."""
    body = as_text("\n".join(_lines(draft)) + "\n")  # names of files are in it
    mark = hashlib.sha256(body.encode()).hexdigest()[:16]
    return f"{_MARK}{mark}\n{body}"


def is_unedited(path: Path) -> bool:
    """Tell whether a file is a draft exactly as it was written."""
    content = path.read_bytes()
    mark = _MARK_LINE.match(content)
    if mark is None:
        return False
    return hashlib.sha256(content[mark.end() :]).hexdigest()[:16].encode() == mark[1]


def write_draft(folder: Path, draft: SessionDraft) -> Path:
    """Write ``session.toml`` into ``folder`` and return its path.

    An earlier draft that nobody has edited is replaced; any other file is left as it is.

    Raises
    ------
    SettingsFileError
        If there is a ``session.toml`` that is not an unedited draft.
    WriteError
        If it cannot be written.
    """
    path = folder / FILE_NAME
    check_replaceable(path)
    with atomic_write(path) as stream:
        stream.write(toml_from_draft(draft).encode())
    return path


def check_replaceable(path: Path) -> None:
    """Raise unless ``path`` is free, or holds a draft that nobody has edited.

    Raises
    ------
    SettingsFileError
        If something there is worth keeping.
    """
    try:
        if not path.is_symlink() and (not path.exists() or is_unedited(path)):
            return
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise SettingsFileError(path, what, "check the file and its permissions") from error
    what = "is there already and has been edited, so it was left as it is"
    raise SettingsFileError(path, what, "rename it and start again for a new draft")


def _lines(draft: SessionDraft) -> Iterable[str]:
    settings = draft.settings
    every = _most_common(settings.plates)
    yield "# What platebench start found in this folder. Read it, correct it, then run convert."
    yield "# Lines that begin with # are explanations; nothing reads them."
    yield ""
    yield "# Heading of the proof sheet."
    yield f"title = {_toml(settings.title)}"
    yield from _light_lines(draft)
    yield from _scan_lines(draft)
    yield from _every_plate_lines(every, emulsion_said=not draft.scans_alone)
    for plate in settings.plates:
        yield from _plate_lines(plate, every, draft.remarks, draft.sizes.get(plate.id, ""))
    if draft.left_out:
        yield ""
        yield "# Left out:"
        for name, reason in draft.left_out:
            yield f"#   {_comment(name)}: {_comment(reason)}"


def _light_lines(draft: SessionDraft) -> Iterable[str]:
    settings = draft.settings
    yield ""
    yield "[light]"
    yield "# The bare light box, same camera and lens settings as the plates. None: the light is"
    yield "# estimated from the light box around each plate, noted in each result; scans count"
    yield "# from the bare light beside the plate, or else from the scanner's white."
    yield from _file_list("blank", settings.blank, draft.remarks)
    yield "# Captures with the lens cap on. None: the black level the files state is used."
    yield from _file_list("dark", settings.dark, draft.remarks)
    yield "# What tells how much light strays (glare), taken as the blank was: a large opaque card"
    yield "# in the middle of the bare box. If one of these is an even, dense plate, list it below."
    yield from _file_list("card", settings.card, draft.remarks)
    yield "# The same with the light box off, best at 64 times the blank's time."
    yield from _file_list("box_off", settings.box_off, draft.remarks)
    yield "# Only for a card that may let light through: that card over all of the box."
    yield from _file_list("card_over", settings.card_over, draft.remarks)


def _scan_lines(draft: SessionDraft) -> Iterable[str]:
    settings = draft.settings
    yield ""
    yield "[scan]"
    yield "# Scans only. Coding of a scan without a colour profile: 2.2 usual, 1.0 linear."
    yield f"gamma = {_toml(settings.scan.gamma)}"
    yield '# What the scan shows: "negative", or "positive" where the scanner inverted it.'
    for said in tones_said(draft.tones):
        yield from _wrapped(said, prefix="#")
    yield f"shows = {_toml(settings.scan.shows)}"
    yield "# Bits used of 16, where the files do not say: 8 to 14 or 16; 0 where none is in doubt."
    yield from (f"# Assumed: {said}." for said in bits_assumed(settings.scan))
    yield f"bits = {_toml(settings.scan.bits)}"


def bits_assumed(scan: ScanSettings) -> list[str]:
    """Return what a draft assumed of 16-bit scans, in a sentence; none where nothing is open."""
    if not scan.bits:
        return []
    if scan.bits == FULL_BITS:
        return ["16 bits a value, since some of the scans use them all; others need fewer"]
    top = (1 << scan.bits) - 1
    return [f"{scan.bits} bits a value, since none in any of the 16-bit scans passes {top}"]


def _every_plate_lines(plate: PlateSettings, *, emulsion_said: bool) -> Iterable[str]:
    yield ""
    yield "# Any line of this table may be repeated under a [[plate]] to change that plate alone."
    yield "[every_plate]"
    yield '# Nominal size, which gives the true scale; "" where it is unknown. Known sizes:'
    yield from _wrapped(", ".join(known.name for known in FORMATS))
    yield '# or a size of your own, such as "120 x 90 mm".'
    yield f"format = {_toml(plate.format)}"
    yield '# The side the emulsion faced: "camera" (the positive is turned over), or "light".'
    if emulsion_said:
        yield f"emulsion = {_toml(plate.emulsion)}"
    else:
        yield '# Not set for scans: "camera" for negatives; what positives show stays as it lies.'
        yield f"# emulsion = {_toml(plate.emulsion)}"
    yield "# Degrees clockwise, after mirroring: 0, 90, 180 or 270."
    yield f"rotate = {_toml(plate.rotate)}"
    yield '# Tone of the positive: "neutral", or any profile beside this file or in profiles/tone.'
    yield f"tone = {_toml(plate.tone)}"
    yield '# Printing exposure: "each" plate on its own, or one "shared" by the session.'
    yield f"printing = {_toml(plate.printing)}"
    yield "# More printing exposure, in stops; positive prints darker."
    yield f"print_stops = {_toml(plate.print_stops)}"
    yield "# Contrast of the print: 1.0 as the paper gives it, 1.2 a fifth steeper."
    yield f"print_contrast = {_toml(plate.print_contrast)}"
    yield '# "mosaic": full sharpness, for neutral silver; "demosaiced": for coloured plates.'
    yield f"colour = {_toml(plate.colour)}"
    yield '# "perspective": square the four corners; "turn": only turn; "none": only cut.'
    yield f"straighten = {_toml(plate.straighten)}"
    yield '# Several captures of a plate: "bracket", or "tiles" that overlap.'
    yield f"join = {_toml(plate.join)}"
    yield "# false keeps the whole capture."
    yield f"crop = {_toml(plate.crop)}"
    yield '# Glare, computed from the picture where something dark tells it: "removed" or "kept".'
    yield f"glare = {_toml(plate.glare)}"
    yield "# Density of a mask, holder or strip around the plate; what it lets through is no glare."
    yield f"card_density = {_toml(plate.card_density)}"
    yield from _size_and_picture_lines(plate)
    yield ""
    yield "# The plates, in the order they are shown. Each may also have:"
    yield "#   long_mm = 119.5, short_mm    caliper sizes of its sides across the middle; one is"
    yield "#                                enough for the true scale"
    yield "#   skip = true                  leaves the plate out"
    yield "#   corners = [[row, column], [row, column], [row, column], [row, column]]"
    yield "#                                top left, top right, bottom right, bottom left, in"
    yield "#                                pixels of the capture, where the finder needs help;"
    yield "#                                several plates in one capture each have their own"
    yield '#   doubt = "..."                why a capture is kept whole; delete the line once the'
    yield "#                                corners are right"
    yield '#   checked = true, note = "..." what you found when you looked at it'


def _size_and_picture_lines(plate: PlateSettings) -> Iterable[str]:
    yield "# Error of a caliper size, mm, one standard error; rough edges and your hand included."
    yield f"caliper_error_mm = {_toml(plate.caliper_error_mm)}"
    yield "# Pixels per mm, error, rows and columns, where all captures were taken from one height"
    yield "# with one lens, zoom and focus; start works it out from plates with a caliper size."
    yield f"scale = {_toml(plate.scale)}"
    yield "# What that scale was measured on."
    yield f"scale_from = {_toml(plate.scale_from)}"
    yield '# Printed and shared: "off" all, "rebate" what lies within it, "box" picture_box_mm.'
    yield f"picture = {_toml(plate.picture)}"
    yield "# Within the rebate by so many mm."
    yield f"picture_margin_mm = {_toml(plate.picture_margin_mm)}"
    yield '# Cut to a ratio, such as "4:5"; "" as the picture is.'
    yield f"picture_ratio = {_toml(plate.picture_ratio)}"
    yield "# [left, top, width, height] in mm from the top left corner of the plate in the capture."
    yield f"picture_box_mm = {_toml(plate.picture_box_mm)}"
    yield "# true cuts positives to the picture as well; archive masters never are."
    yield f"crop_positives = {_toml(plate.crop_positives)}"


def _plate_lines(
    plate: PlateSettings, every: PlateSettings, remarks: dict[str, str], size: str
) -> Iterable[str]:
    yield ""
    yield "[[plate]]"
    yield f"id = {_toml(plate.id)}"
    yield from _file_list("captures", plate.captures, remarks)
    if size:
        yield from _wrapped(_comment(size), prefix="#")
    for key in SHARED_KEYS:
        if getattr(plate, key) != getattr(every, key):
            yield f"{key} = {_toml(getattr(plate, key))}"
    for key in ("long_mm", "short_mm"):
        if getattr(plate, key):
            yield f"{key} = {_toml(getattr(plate, key))}"
    if plate.corners is not None:
        pairs = ", ".join(f"[{row!r}, {column!r}]" for row, column in plate.corners)
        yield f"corners = [{pairs}]"
    if plate.doubt:
        yield f"doubt = {_toml(plate.doubt)}"
    if plate.skip:
        yield "skip = true"


def _most_common(plates: Sequence[PlateSettings]) -> PlateSettings:
    """Return the settings that most plates share, key by key; the defaults without plates."""
    every = PlateSettings(id="", captures=())
    for key in SHARED_KEYS if plates else ():
        values = Counter(getattr(plate, key) for plate in plates)
        every = replace(every, **{key: values.most_common(1)[0][0]})
    return every


def _file_list(key: str, names: tuple[str, ...], remarks: dict[str, str]) -> Iterable[str]:
    if not names:
        yield f"{key} = []"
        return
    yield f"{key} = ["
    for name in names:
        remark = f"  # {_comment(remarks[name])}" if remarks.get(name) else ""
        yield f"  {_toml(name)},{remark}"
    yield "]"


def _toml(value: str | float | bool | tuple[float, ...]) -> str:
    return str(tomlkit.item(list(value) if isinstance(value, tuple) else value).as_string())


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def _wrapped(text: str, width: int = 92, prefix: str = "#  ") -> Iterable[str]:
    line = prefix
    for word in text.split(" "):
        if len(line) + 1 + len(word) > width:
            yield line
            line = prefix
        line += " " + word
    yield line
