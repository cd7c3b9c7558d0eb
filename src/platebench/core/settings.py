"""What a person decides: frozen settings of a session and of each plate.

A field is its setting in the file: name, kind, choices, range and default stand here alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Literal

SESSION_FILE = "session.toml"

ScanBits = Literal[0, 8, 10, 12, 14, 16]

Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]
"""Top left, top right, bottom right, bottom left, as ``(row, column)`` in the capture."""


def _between(low: float, high: float, default: float, **also: bool) -> Any:
    """Return the field of a number from ``low`` to ``high``."""
    return field(default=default, metadata={"range": (low, high), **also})


def _every(default: object) -> Any:
    """Return a field that every_plate may set for all plates."""
    return field(default=default, metadata={"shared": True})


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanSettings:
    """How scans without a colour profile are read.

    Attributes
    ----------
    gamma : float
        Exponent of the scan's coding, used only where the file embeds no profile.
    shows : {"negative", "positive"}
        ``positive`` where the scanner's program has already inverted the plate.
    bits : {0, 8, 10, 12, 14, 16}
        Bits that are used of 16, of scans that do not say; 0: all 16, and where no value needs
        them that is noted.
    """

    gamma: float = _between(1.0, 4.0, 2.2)
    shows: Literal["negative", "positive"] = "negative"
    bits: ScanBits = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureSettings:
    """Decisions for one of several pictures on a plate.

    Places are of the plate as it lies in its capture, before anything is turned; one of ``box``,
    ``box_mm`` and ``outline`` is given.

    Attributes
    ----------
    id : str
        Its name on the plate; with the plate's it names its files.
    box : (left, top, width, height) or ()
        As shares of the plate's width and height.
    box_mm : (left, top, width, height) or ()
        The same in mm from the plate's top left corner.
    outline : four (across, down) pairs or ()
        Clockwise from the top left, as shares of the plate's width and height.
    caption : str
        What it shows.
    tone : str
        Tone profile; "" for the plate's.
    print_stops, print_contrast : float or None
        As those of the plate, which hold where it is None.
    """

    id: str
    box: tuple[float, ...] = ()
    box_mm: tuple[float, ...] = ()
    outline: tuple[tuple[float, float], ...] = ()
    caption: str = ""
    tone: str = ""
    print_stops: float | None = None
    print_contrast: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateSettings:
    """Decisions for one plate.

    Attributes
    ----------
    id : str
        Name of the plate; names its files too.
    captures : tuple of str
        Files relative to the session folder; more than one is a bracket of one framing.
    format : str
        Nominal size from ``core/formats.py`` ("4x5 in", "13x18 cm"), "W x H mm", or "" for unknown.
    emulsion : {"camera", "light"}
        The side the emulsion faced. A negative reads right through its glass, as a print from it
        does; seen from the emulsion it is laterally reversed, so "camera" is turned left to right
        and "light" is not.
    rotate : {0, 90, 180, 270}
        Degrees clockwise, after the turn left to right.
    tone : str
        Tone profile, a file name in ``profiles/tone`` or beside the session, without ``.toml``.
    printing : {"each", "shared"}
        Printing exposure set for this plate alone, or one for the whole session.
    print_stops : float
        Extra printing exposure in stops; positive prints darker.
    print_contrast : float
        Slope of the paper over its own, about the middle of the plate's range.
    colour : {"mosaic", "demosaiced"}
        Measure each photosite on its own (neutral silver), or make red, green and blue.
    straighten : {"perspective", "turn", "none"}
        Make the plate's four corners square; only turn it; or only cut.
    join : {"bracket", "tiles"}
        What several captures are: exposures of one framing, or tiles that overlap.
    crop : bool
        False keeps the whole capture.
    glare : {"removed", "kept"}
        Glare, computed from the picture, is taken off, or left.
    card_density : float
        Density of a mask, holder or strip, D: what it lets through is not glare.
    caliper_error_mm : float
        Standard error of a caliper size, mm.
    scale : (float, float), (float, float, rows, columns) or ()
        Pixels per millimetre and their standard error, of all captures at one camera height; with
        the size of the frames that it holds for.
    scale_from : str
        What that scale was measured on, in words.
    picture : {"off", "rebate", "box"}
        The part of the plate that is printed and shared: all of it, what the rebate leaves, or
        ``picture_box_mm``.
    picture_margin_mm : float
        How far within the rebate's end, mm.
    picture_ratio : str
        "W:H" to which it is cut, about its middle; "" for none.
    picture_box_mm : (left, top, width, height) or ()
        From the plate's top left corner as it lies in the capture, mm.
    crop_positives : bool
        Cut positives to the picture too. Masters never are.
    long_mm, short_mm : float
        Caliper size of the plate's sides, mm; 0 where it was not measured.
    corners : four (row, column) pairs or None
        The plate's corners where the finder needs help, or where a capture shows several plates.
    others : tuple of four (row, column) pairs
        Corners of what else lies in the capture: other plates, which are no surround.
    doubt : str
        What speaks against the corners, until somebody has looked: the capture is kept whole.
    pictures : tuple of PictureSettings
        Where the plate holds several; () where it is one.
    skip : bool
        True leaves the plate out.
    checked : bool
        A person has looked at the plate and found it right.
    note : str
        What that person wrote down.
    """

    id: str
    captures: tuple[str, ...]
    format: str = _every("")
    emulsion: Literal["camera", "light"] = _every("camera")
    rotate: Literal[0, 90, 180, 270] = _every(0)
    tone: str = _every("neutral")
    printing: Literal["each", "shared"] = _every("each")
    print_stops: float = _between(-5.0, 5.0, 0.0, shared=True)
    print_contrast: float = _between(0.4, 2.5, 1.0, shared=True)
    colour: Literal["mosaic", "demosaiced"] = _every("mosaic")
    straighten: Literal["perspective", "turn", "none"] = _every("perspective")
    join: Literal["bracket", "tiles"] = _every("bracket")
    crop: bool = _every(True)
    glare: Literal["removed", "kept"] = _every("removed")
    card_density: float = _between(2.0, 8.0, 3.5, shared=True)
    caliper_error_mm: float = _between(0.01, 5.0, 0.1, shared=True)
    scale: tuple[float, ...] = _every(())
    scale_from: str = _every("")
    picture: Literal["off", "rebate", "box"] = _every("off")
    picture_margin_mm: float = _between(0.0, 100.0, 0.5, shared=True)
    picture_ratio: str = _every("")
    picture_box_mm: tuple[float, ...] = _every(())
    crop_positives: bool = _every(False)
    long_mm: float = 0.0
    short_mm: float = 0.0
    corners: Corners | None = None
    others: tuple[Corners, ...] = ()
    doubt: str = ""
    pictures: tuple[PictureSettings, ...] = ()
    skip: bool = False
    checked: bool = False
    note: str = ""


LIGHT_KEYS = ("blank", "dark", "card", "box_off", "card_over")


SHARED_KEYS = tuple(each.name for each in fields(PlateSettings) if each.metadata.get("shared"))
PLATE_KEYS = tuple(each.name for each in fields(PlateSettings))
PICTURE_KEYS = tuple(each.name for each in fields(PictureSettings))


def range_of(owner: type, key: str) -> tuple[float, float]:
    """Return the least and largest value that a number of ``owner``'s settings may have."""
    low, high = next(each for each in fields(owner) if each.name == key).metadata["range"]
    return low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSettings:
    """Decisions for a session: the whole of ``session.toml``.

    Attributes
    ----------
    title : str
        Heading of the proof sheet.
    blank, dark : tuple of str
        Blank and dark frames, relative to the session folder.
    card, box_off, card_over : tuple of str
        Captures that tell the glare: an opaque card on the bare box, the box switched off, the
        card over the whole box.
    scan : ScanSettings
        How scans are read.
    rights : mapping of str to str
        What plates are marked with whose log says nothing: creator, rights, usage_terms,
        web_statement, credit.
    plates : tuple of PlateSettings
        In the order they are shown.
    """

    title: str = ""
    blank: tuple[str, ...] = ()
    dark: tuple[str, ...] = ()
    card: tuple[str, ...] = ()
    box_off: tuple[str, ...] = ()
    card_over: tuple[str, ...] = ()
    scan: ScanSettings = field(default_factory=ScanSettings)
    rights: Mapping[str, str] = field(default_factory=dict)
    plates: tuple[PlateSettings, ...] = ()

    @property
    def light_captures(self) -> tuple[str, ...]:
        """Every capture that is no plate: of the light, of darkness, of the glare."""
        return tuple(name for key in LIGHT_KEYS for name in getattr(self, key))
