"""Pictures to share of a session's plates, made from its positives as they are now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from pathlib import Path

from platebench.core.errors import SessionFolderError
from platebench.core.files import hash_file
from platebench.core.installed import profiles_folder
from platebench.core.plate_names import stem_of
from platebench.core.progress import Progress
from platebench.core.settings import PlateSettings
from platebench.plate.job import RECORDS, positive_of
from platebench.plate.picture_part import RESIZED, cut_to, is_resized
from platebench.plate.pictures import names_of, picture_name, settings_of
from platebench.plate.record import NOTHING_KNOWN, PlateRecord
from platebench.plate_log.dates import date_in_words
from platebench.plate_log.entry import LogEntry
from platebench.printing.print_picture import read_positive
from platebench.session.record import OLDER, RecordFile, is_older_than, read_record
from platebench.session.run_plates import PlateOutcome, PlateRun, PlateWork
from platebench.session.session_log import load_session_log
from platebench.session.session_report import OUTPUT_NAME
from platebench.session.settings_file import FILE_NAME, load_session
from platebench.tone.profile_file import load_tone
from platebench.write.plate_record import KEPT_WHOLE
from platebench.write.share_picture import (
    SUFFIXES,
    Hue,
    Kind,
    coloured,
    picture_area,
    plate_area,
    reduced_light,
    share_packet,
    with_caption,
    write_share,
)

FOLDER = "shared"
LONG_SIDE = 2000
LONG_SIDES = (64, 30_000)
MEND = "drag its corners on the review page or take it again, then convert"
LONGEST: Mapping[str, int] = {"webp": 14_000}  # 16,383 with its caption, by the file format


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareWishes:
    """How a picture to share is to be.

    Attributes
    ----------
    long_side : int
        Pixels, of the picture without its caption; never larger than the positive, nor than a
        WebP file can be.
    kind : {"jpeg", "png", "webp"}
    edge : bool
        With the plate's edge and rebate, as far as the positive has them.
    toned : bool
        In the colours of the plate's tone profile, where it has any.
    caption : bool
        With a caption from the plate log.
    place : bool
        Where the plate was taken, in caption and metadata; else it is left out of both.
    quality : int
        Of JPEG and WebP.
    """

    long_side: int = LONG_SIDE
    kind: Kind = "jpeg"
    edge: bool = False
    toned: bool = True
    caption: bool = False
    place: bool = False
    quality: int = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """A picture that was made.

    Attributes
    ----------
    plate_id : str
    path : Path
    doubt : str
        Why the plate was not cut out of its capture; empty where it was.
    older : bool
        Its settings were changed after the positive was made.
    resized : bool
        Somebody has changed the size of its positive, so it was not cut to its picture.
    replaced : bool
        There was another picture of that name before.
    """

    plate_id: str
    path: Path
    doubt: str = ""
    older: bool = False
    resized: bool = False
    replaced: bool = False

    def note(self) -> str:
        """Return what a person should know before showing it; empty where there is nothing."""
        said = []
        if self.doubt:
            said.append(f"{self.plate_id} is shown uncropped: {self.doubt}; {MEND}")
        if self.older:
            said.append(f"{self.plate_id}: {OLDER}")
        if self.resized:
            said.append(f"{self.plate_id}: {RESIZED}")
        if self.replaced:
            said.append(f"another picture that was there as {self.path.name} was replaced")
        return ". ".join(said)


def share_session(
    folder: Path,
    plates: Sequence[str] = (),
    *,
    to: Path | None = None,
    output: Path | None = None,
    wishes: ShareWishes | None = None,
    progress: Progress | None = None,
) -> list[PlateOutcome[Shared]]:
    """Write pictures to share and return what became of each plate, in order.

    Of a plate whose sides were in doubt, the positive is the whole capture: the bare light around
    the plate is left out, as far as it shows nothing, and the plate is not straightened.

    Parameters
    ----------
    folder : Path
        The session folder.
    plates : sequence of str
        Ids; none: all that have been converted.
    to : Path or None
        Folder of the pictures; None: ``shared`` in the folder of results.
    output : Path or None
        Folder of results; None: ``converted`` in the session folder.
    wishes : ShareWishes or None
        How they are to be.
    progress : Progress or None
        Told of each plate.

    Raises
    ------
    SessionFolderError
        If a plate is not there or has not been converted.
    WriteError
        If the folder cannot be written, or a picture would replace one that is not from here.
    """
    wishes = wishes or ShareWishes()
    settings = load_session(folder)
    output = folder / OUTPUT_NAME if output is None else output
    chosen = _chosen(folder, output, settings.plates, plates)
    place = output / FOLDER if to is None else to
    targets = {p.id: place / f"{stem_of(p.id)}{SUFFIXES[wishes.kind]}" for p in chosen}
    captions = {
        picture_name(plate.id, picture): picture.caption
        for plate in settings.plates
        for picture in plate.pictures
    }
    of = {plate.id: plate for plate in settings.plates}
    log = load_session_log(folder, settings.rights)
    run = PlateRun(folder, settings, place, workers=1, progress=progress)

    def share_one(plate: PlateSettings) -> Shared:
        glass = of[plate.id.partition("/")[0]]  # the plate that it is, or is a picture on
        entry = log.entry(glass.id) or LogEntry(plate_id=plate.id)
        if captions.get(plate.id):
            entry = replace(entry, title=captions[plate.id])
        record = read_record(output / RECORDS / f"{glass.id}.json")
        target, doubt = targets[plate.id], _doubt(record)
        before = _digest(target)
        known = NOTHING_KNOWN if record is None or plate.id != glass.id else record.result
        resized = _share(folder, output, plate, target, entry, wishes, known, uncut=bool(doubt))
        return Shared(
            plate_id=plate.id,
            path=target,
            doubt=doubt,
            older=is_older_than(record, glass),
            resized=resized,
            replaced=before not in ("", _digest(target)),
        )

    owned = targets.values() if to is not None else ()  # else the folder is ours
    work = PlateWork(what="pictures", task=share_one, name_of=attrgetter("id"))
    with run.writing(targets.values(), results=output, owned=owned):
        return run.outcomes(work, chosen)


def _digest(path: Path) -> str:
    """Return the SHA-256 of a picture; "" where there is none."""
    return hash_file(path) if path.is_file() else ""


def _doubt(record: RecordFile | None) -> str:
    """Return why a plate was kept whole, in the words of its record; empty where it was not."""
    if record is None or not (record.result.doubtful and record.result.whole):
        return ""
    doubts = [flag for flag in record.result.flags if flag != KEPT_WHOLE]
    return "; ".join(doubts) or "its sides are in doubt"


def _share(
    folder: Path,
    output: Path,
    plate: PlateSettings,
    target: Path,
    entry: LogEntry,
    wishes: ShareWishes,
    record: PlateRecord,
    *,
    uncut: bool,
) -> bool:
    """Write a picture; return whether its positive has another size than when it was converted."""
    positive = read_positive(positive_of(output, plate.id))
    codes = positive.codes
    resized = not wishes.edge and is_resized(codes.shape, record)
    if not (wishes.edge or resized) and record.picture is not None and record.picture.box_px:
        codes = cut_to(codes, record)
    elif not wishes.edge and "/" not in plate.id:  # a picture on a plate is cut out already
        small = reduced_light(codes, positive.luminance, 1000)
        share = codes.shape[0] / small.shape[0], codes.shape[1] / small.shape[1]
        top, left, bottom, right = (plate_area if uncut else picture_area)(small)
        codes = codes[
            round(top * share[0]) : round(bottom * share[0]),
            round(left * share[1]) : round(right * share[1]),
        ]
    long_side = min(wishes.long_side, LONGEST.get(wishes.kind, wishes.long_side))
    light = reduced_light(codes, positive.luminance, long_side)
    hue = _hue(folder, plate) if wishes.toned else None
    lines = caption_lines(plate, entry, place=wishes.place, uncut=uncut) if wishes.caption else []
    shown = with_caption(coloured(light, hue), lines)
    packet = share_packet(entry, place=wishes.place)
    write_share(target, shown, kind=wishes.kind, quality=wishes.quality, xmp=packet)
    return resized


def caption_lines(
    plate: PlateSettings, entry: LogEntry, *, place: bool, uncut: bool = False
) -> list[str]:
    """Return a caption: what, where if wanted, and when; then the plate, and if it is uncropped."""
    about = [entry.title or plate.id, entry.place if place else "", date_in_words(entry.date)]
    kind = [entry.emulsion or "glass plate", plate.format, "shown uncropped" if uncut else ""]
    lines = [", ".join(filter(None, about)), ", ".join(filter(None, kind))]
    return [line for line in lines if line]


def _hue(folder: Path, plate: PlateSettings) -> Hue | None:
    hue = load_tone(plate.tone, (folder, profiles_folder() / "tone")).hue
    return None if hue is None else Hue(paper=hue[0], image=hue[1])


def _chosen(
    folder: Path, output: Path, plates: Sequence[PlateSettings], wanted: Sequence[str]
) -> list[PlateSettings]:
    of = {plate.id: plate for plate in plates}
    known = {name: settings_of(name, of) for plate in plates for name in names_of(plate)}
    for name in wanted:
        if name not in known:
            some = ", ".join(list(known)[:12]) or "none there"
            raise SessionFolderError(
                folder / FILE_NAME, f'lists no plate "{name}"', f"name one of: {some}"
            )
    there = [
        plate
        for plate in (known[name] for name in (wanted or known))
        if positive_of(output, plate.id).is_file()
    ]
    lacking = [name for name in wanted if name not in {plate.id for plate in there}]
    if lacking or not there:
        what = f"has no positive of {', '.join(lacking)}" if lacking else "has no positives"
        raise SessionFolderError(output, what, "convert the session first")
    return there
