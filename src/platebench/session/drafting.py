"""From a folder of captures to the draft of a session: which is light, which is a plate."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import NamedTuple

from platebench.core.camera_time import shown_seconds
from platebench.core.errors import PlateError, SessionFolderError
from platebench.core.image import CaptureKind
from platebench.core.memory import cores
from platebench.core.plate_names import fault_of_capture
from platebench.core.progress import Progress
from platebench.core.settings import PlateSettings, ScanSettings, SessionSettings
from platebench.plate.shown_tones import tones_of_session
from platebench.session.capture_look import (
    EXPOSURE_STEP,
    CaptureLook,
    is_blown_out,
    is_dark,
    is_unlit,
    light_rate,
    look_at,
    looked_at_with_bits,
    session_bits,
    shows_card,
    stops_between,
)
from platebench.session.draft_file import SessionDraft
from platebench.session.pool import run_all
from platebench.session.room import peak_of
from platebench.session.several_plates import Part, parting
from platebench.session.tiles_of_plate import Tile, linking, with_tiles

# Companions of captures: notes, settings, sidecars, records. Not looked at, not mentioned.
UNFINISHED_COPIES = (".part", ".partial", ".filepart", ".crdownload", ".download", ".tmp", ".temp")
COMPANIONS = frozenset(
    [
        ".toml",
        ".csv",
        ".txt",
        ".md",
        ".pdf",
        ".json",
        ".xmp",
        ".xml",
        ".html",
        ".ini",
        ".log",
        ".zip",
        ".sha256",
        ".thm",
        ".db",
        ".ods",
        ".xlsx",
        ".docx",
        ".odt",
        ".py",
        ".sh",
        ".bak",
    ]
)
SCANS = frozenset([".tif", ".tiff", ".png", ".jpg", ".jpeg"])

BRACKET_GAP = timedelta(minutes=2)
DIMMER_THAN_BARE = 0.8  # of the brightest blank: below it, an evenly grey plate
BRIGHTER_BY_CARD = 1.2  # times the room alone: what passes a card that covers the box
CLIPPED_BLANK = 0.001  # share of clipped sites that spoils a blank frame


class _Found(NamedTuple):
    """Looks by what they show."""

    blank: list[CaptureLook]
    dark: list[CaptureLook]
    card: list[CaptureLook]
    box_off: list[CaptureLook]
    card_over: list[CaptureLook]
    blown_out: list[CaptureLook]
    plates: list[CaptureLook]


def draft_session(
    folder: Path,
    *,
    scan: ScanSettings = ScanSettings(),  # noqa: B008
    workers: int | None = None,
    memory: int | None = None,
    progress: Progress | None = None,
) -> SessionDraft:
    """Look through a folder of captures and return the draft of a session.

    Parameters
    ----------
    folder : Path
        The session folder. Sub-folders and hidden files are not looked at.
    scan : ScanSettings
        How scans are read.
    workers : int or None
        Processes, bounded by memory; None: as many as there are cores.
    memory : int or None
        Bytes that may be taken; None: most of what is available.
    progress : Progress or None
        Told of each capture.

    Returns
    -------
    SessionDraft
        Deterministic; files that cannot be read are listed in it, not fatal.

    Raises
    ------
    SessionFolderError
        If the folder is missing or holds no capture.
    """
    paths, left_out = list_captures(folder)
    if not paths:
        raise SessionFolderError(
            folder, "holds no captures", "copy the raw files or scans into it, then start again"
        )

    def look_at_all(paths: Sequence[Path], scan: ScanSettings) -> list[CaptureLook]:
        outcomes = run_all(
            partial(look_at, scan=scan),
            paths,
            name_of=lambda path: path.name,
            workers=workers or cores(),
            what="captures",
            progress=progress,
            peak=lambda path: peak_of("look", [path]),
            memory=memory,
        )
        looks = []
        for path, outcome in zip(paths, outcomes, strict=True):
            if isinstance(outcome, PlateError):
                left_out.append((path.name, _without_path(str(outcome), path)))
            else:
                looks.append(outcome)
        return looks

    looks = look_at_all(paths, scan)
    bits = session_bits(looks)
    looks = looked_at_with_bits(
        looks,
        bits,
        lambda some: look_at_all([folder / look.name for look in some], replace(scan, bits=bits)),
    )
    draft = draft_from_looks(
        looks,
        title=folder.resolve().name,
        scan=scan,
        part=parting(folder, workers=workers, memory=memory, progress=progress),
        tile=linking(folder, workers=workers, memory=memory, progress=progress),
    )
    return replace(draft, left_out=tuple(sorted([*left_out, *draft.left_out])))


def list_captures(folder: Path) -> tuple[list[Path], list[tuple[str, str]]]:
    """Return the files of a folder to look at, and those left out with the reason.

    Hidden files and companions of captures (notes, sidecars) are passed over in silence. Where a
    camera wrote a JPEG beside a raw of the same name, the raw is taken.

    Raises
    ------
    SessionFolderError
        If the folder is missing, or cannot be read.
    """
    if not folder.is_dir():
        what = "is a file, not a folder" if folder.exists() else "does not exist"
        raise SessionFolderError(folder, what, "name the folder that holds the captures")
    try:
        files = [path for path in folder.iterdir() if path.is_file()]
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise SessionFolderError(folder, what, "check its permissions") from error
    files = sorted(
        (p for p in files if p.name[0] not in ".~" and p.suffix.lower() not in COMPANIONS),
        key=lambda path: natural_key(path.name),
    )
    no_raws = (*SCANS, *UNFINISHED_COPIES)
    raws = {path.stem: path.name for path in files if path.suffix.lower() not in no_raws}
    paths, left_out = [], []
    for path in files:
        fault = fault_of_capture(path.name)
        if path.suffix.lower() in UNFINISHED_COPIES:
            left_out.append((path.name, "still being copied, by its name"))
        elif path.suffix.lower() in (".jpg", ".jpeg") and path.stem in raws:
            left_out.append((path.name, f"the camera's own picture of {raws[path.stem]}"))
        elif fault:
            left_out.append((path.name, f"its name {fault}; rename it"))
        else:
            paths.append(path)
    return paths, left_out


def natural_key(name: str) -> tuple[list[tuple[int, str]], str]:
    """Return a key that sorts frame 9 before frame 10.

    Examples
    --------
    >>> sorted(["f10.dng", "f9.dng"], key=natural_key)
    ['f9.dng', 'f10.dng']
    """
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return [(int(p), "") if p[0] in "0123456789" else (-1, p) for p in parts], name


def draft_from_looks(
    looks: Sequence[CaptureLook],
    *,
    title: str,
    scan: ScanSettings = ScanSettings(),  # noqa: B008
    part: Part | None = None,
    tile: Tile | None = None,
) -> SessionDraft:
    """Return the draft of a session whose captures were looked at.

    What its scans show is judged together; where that cannot be told, ``scan`` holds.

    Parameters
    ----------
    part : callable or None
        Finds the plates of captures that may show several; None: each shows one.
    tile : callable or None
        Finds captures that are tiles of one plate; None: none are.
    """
    ordered = sorted(
        looks,
        key=lambda look: (
            look.info.taken is None,
            look.info.taken or datetime.min,
            natural_key(look.name),
        ),
    )
    found = _sort_out(ordered)
    groups = _brackets(found.plates)
    scans = [look for look in found.plates if look.info.kind is CaptureKind.SCAN]
    tones = tones_of_session([look.looks for look in scans]) if scans else None
    if tones is not None and tones.shows is not None:
        scan = replace(scan, shows=tones.shows)
    framings = [
        PlateSettings(
            id=group[0].name,
            captures=tuple(look.name for look in group),
            emulsion="light" if group[0] in scans and scan.shows == "positive" else "camera",
        )
        for group in groups
    ]
    spoilt = [look for look in found.blank if look.clipped_share > CLIPPED_BLANK]
    left_out = [(look.name, _clipped_sentence("a blank frame, but ", look)) for look in spoilt]
    left_out += [(look.name, _clipped_sentence("", look)) for look in found.blown_out]
    settings = SessionSettings(
        title=title,
        blank=tuple(look.name for look in found.blank if look not in spoilt),
        dark=tuple(look.name for look in found.dark),
        card=tuple(look.name for look in found.card),
        box_off=tuple(look.name for look in found.box_off),
        card_over=tuple(look.name for look in found.card_over),
        scan=replace(scan, bits=session_bits(looks)),
    )
    blank = next((look for look in found.blank if look not in spoilt), None)
    if tile is not None:
        framings = with_tiles(framings, groups, blank, settings, tile)
        alone = {plate.captures for plate in framings if plate.join != "tiles"}
        groups = [group for group in groups if tuple(look.name for look in group) in alone]
    tiled = [plate for plate in framings if plate.join == "tiles"]
    parted = _parted([one for one in framings if one not in tiled], groups, settings, part)
    order = {look.name: n for n, look in enumerate(ordered)}
    plates = sorted([*tiled, *parted], key=lambda plate: order[plate.captures[0]])
    digits = max(3, len(str(len(plates))))
    named = [replace(plate, id=f"plate-{n:0{digits}d}") for n, plate in enumerate(plates, 1)]
    settings = replace(settings, plates=tuple(named))
    remarks = {look.name: _remark(look) for look in ordered}
    return SessionDraft(
        settings=settings,
        remarks=remarks,
        left_out=tuple(left_out),
        tones=tones,
        scans_alone=0 < len(scans) == len(found.plates),
    )


def _parted(
    framings: Sequence[PlateSettings],
    groups: Sequence[Sequence[CaptureLook]],
    settings: SessionSettings,
    part: Part | None,
) -> list[PlateSettings]:
    """Return the plates of all framings, those that may show several looked at more closely."""
    pairs = zip(framings, groups, strict=True)
    open_ones = [one for one, group in pairs if part and any(look.several for look in group)]
    if part is None or not open_ones:
        return list(framings)
    shown = dict(zip([one.id for one in open_ones], part(open_ones, settings), strict=True))
    return [plate for one in framings for plate in shown.get(one.id, (one,))]


def _sort_out(looks: Sequence[CaptureLook]) -> _Found:
    """Tell blank frames, dark frames, captures that tell the glare, and plates apart."""
    found = _Found([], [], [], [], [], [], [])
    bare = [look for look in looks if look.even and not is_dark(look)]
    whole = [look for look in bare if look.clipped_share <= CLIPPED_BLANK]
    rates = [rate for rate in map(light_rate, whole) if rate is not None]
    brightest = max(rates, default=0.0)
    blank = next((look for look in whole if light_rate(look) == brightest), None)
    darkest = min((float(look.light.mean()) for look in looks), default=0.0)
    unlit = []
    for look in looks:
        if blank is not None and is_unlit(look, blank, darkest):
            unlit.append(look)
            continue
        if blank is not None and shows_card(look, blank):
            found.card.append(look)
            continue
        rate = light_rate(look)
        dim = rate is not None and look.clipped_share == 0 and rate < DIMMER_THAN_BARE * brightest
        if is_dark(look):
            found.dark.append(look)
        elif is_blown_out(look):
            found.blown_out.append(look)
        elif look in bare and not dim:
            found.blank.append(look)
        else:
            found.plates.append(look)
    off, over = _room_and_card(unlit)
    found.box_off.extend(off)
    found.card_over.extend(over)
    return found


def _room_and_card(
    unlit: Sequence[CaptureLook],
) -> tuple[list[CaptureLook], list[CaptureLook]]:
    """Tell captures with the box off from those of a card over all of it, which are brighter."""
    rates = [max(light_rate(look) or 0.0, 1e-9) for look in unlit]
    if not rates or max(rates) < BRIGHTER_BY_CARD * min(rates):
        return list(unlit), []
    middle = (max(rates) * min(rates)) ** 0.5
    pairs = list(zip(unlit, rates, strict=True))
    return [a for a, rate in pairs if rate < middle], [a for a, rate in pairs if rate >= middle]


def _brackets(plates: Sequence[CaptureLook]) -> list[list[CaptureLook]]:
    """Join captures that follow each other, show one framing and differ in exposure."""
    groups: list[list[CaptureLook]] = []
    for look in plates:
        if groups and _continues(groups[-1], look):
            groups[-1].append(look)
        else:
            groups.append([look])
    return groups


def _continues(group: Sequence[CaptureLook], look: CaptureLook) -> bool:
    last = group[-1].info.taken
    if last and look.info.taken and look.info.taken - last > BRACKET_GAP:
        return False
    stops = [stops_between(member, look) for member in group]
    # Far members of a long bracket may share no measurable cells; the nearest decides.
    known = [step for step in stops if step is not None]
    return bool(known) and min(map(abs, known)) > EXPOSURE_STEP


def _clipped_sentence(what: str, look: CaptureLook) -> str:
    share = max(look.clipped_share, 0.001)
    return f"{what}{share:.1%} of it is clipped; take it again with a shorter exposure"


def _remark(look: CaptureLook) -> str:
    info = look.info
    parts = []
    if info.taken:
        parts.append(f"{info.taken:%Y-%m-%d %H:%M:%S}")
    if info.exposure_s:
        parts.append(shown_seconds(info.exposure_s))
    if info.f_number:
        parts.append(f"f/{round(info.f_number, 1):g}")
    if info.iso:
        parts.append(f"ISO {info.iso:g}")
    if info.kind is CaptureKind.SCAN and info.ppi:
        parts.append(f"{info.ppi:g} ppi")
    if info.assumed_gamma is not None:
        parts.append("no colour profile")
    if info.no_date is not None and info.taken is None:
        parts.append(f'date unknown: the file says "{info.no_date}"')
    return ", ".join(parts)


def _without_path(text: str, path: Path) -> str:
    return text.removeprefix(f"{path} ").removeprefix(f"{path}: ")
