"""Work that can be started from the page, by name."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from platebench.archive.pack_session import PackOptions, pack_session
from platebench.core.cautions import FIRST, cautions_for
from platebench.core.errors import ExitCode, PrintNegativeError
from platebench.core.formats import format_named
from platebench.core.progress import Progress
from platebench.printing.make_negative import NegativeOrder
from platebench.printing.process_file import load_process, process_folders
from platebench.review.results import Done
from platebench.review.table import ReviewTable
from platebench.review.tasks import Work
from platebench.session.convert_session import convert_session
from platebench.session.print_negative import print_negatives
from platebench.session.run_plates import made_or_raise
from platebench.session.share_session import LONG_SIDE, LONG_SIDES, ShareWishes, share_session
from platebench.write.share_picture import SUFFIXES


def convert(table: ReviewTable, wishes: dict[str, Any]) -> Work:
    """Return the conversion of all plates that need it; ``true_size`` adds pages at true size."""
    true_size, force = bool(wishes.get("true_size", False)), bool(wishes.get("force", False))

    def work(progress: Progress) -> Done:
        result = convert_session(
            table.folder, output=table.output, true_size=true_size, force=force, progress=progress
        )
        failed = [plate for plate in result.results if plate.error]
        made = sum(not plate.skipped for plate in result.results) - len(failed)
        said = [f"{made} converted, {len(result.results) - made - len(failed)} unchanged"]
        said += [str(plate.error) for plate in failed]
        said += [str(error) for error in result.errors]
        sheet = result.output / "proof-sheet.pdf"
        whole = result.exit_code is ExitCode.OK and sheet.is_file()
        return Done(said=tuple(said), files=(sheet,) if whole else ())

    return work


def share(table: ReviewTable, wishes: dict[str, Any]) -> Work:
    """Return the making of a picture to share of one plate."""
    long_side = wishes.get("long_side", LONG_SIDE)
    if not isinstance(long_side, int) or not LONG_SIDES[0] <= long_side <= LONG_SIDES[1]:
        long_side = LONG_SIDE
    kind = wishes.get("kind")
    how = ShareWishes(
        long_side=long_side,
        kind=kind if isinstance(kind, str) and kind in SUFFIXES else "jpeg",
        edge=wishes.get("edge") is True,
        toned=wishes.get("toned") is not False,
        caption=wishes.get("caption") is True,
        place=wishes.get("place") is True,
    )
    plate = str(wishes.get("plate", ""))

    def work(progress: Progress) -> Done:
        made = made_or_raise(
            share_session(table.folder, [plate], output=table.output, wishes=how, progress=progress)
        )
        notes = tuple(one.note() for one in made if one.note())
        return Done(said=("picture to share",), files=tuple(one.path for one in made), notes=notes)

    return work


def print_negative(table: ReviewTable, wishes: dict[str, Any]) -> Work:
    """Return the making of one plate's print negative; ``size`` "" is the plate's own."""
    plate, process = str(wishes.get("plate", "")), str(wishes.get("process", ""))
    size = str(wishes.get("size", "")).strip()

    def work(progress: Progress) -> Done:
        wanted = format_named(size) if size else None
        if size and wanted is None:
            what = f'cannot be printed at "{size[:40]}"'
            raise PrintNegativeError(Path(plate), what, "write a size such as 8x10 in")
        known = load_process(process, process_folders(table.folder, table.user_folder))
        order = NegativeOrder(size=wanted)
        made = made_or_raise(
            print_negatives(table.folder, [plate], known, order, progress=progress)
        )
        lines = [line for caution in cautions_for(known.hazards) for line in caution.lines()]
        return Done(
            said=tuple(_sizes_of(plate, one.record) for one in made),
            files=tuple(path for one in made for path in one.files),
            notes=tuple(note for one in made for note in one.notes),
            cautions=(FIRST, *lines, *known.cautions),
        )

    return work


def _sizes_of(plate: str, record: dict[str, Any]) -> str:
    """Return a print negative's sizes, and which side of the film lies on the paper."""
    width, height = record["picture_mm"]
    film = "{:.1f} x {:.1f} mm".format(*record["film_mm"])
    side = "ink side down" if record["mirrored"] else "ink side up"
    return (
        f"print negative of {plate}: {width:.1f} x {height:.1f} mm on {film} of film, "
        f"{side} on the paper; print at 100 %"
    )


def archive(table: ReviewTable, wishes: dict[str, Any]) -> Work:
    """Return the packing of the whole session; ``captures`` packs their files as well."""
    options = PackOptions(captures=wishes.get("captures") is True)

    def work(progress: Progress) -> Done:
        packed = pack_session(
            table.folder,
            now=datetime.now().astimezone(),
            converted=table.output,
            options=options,
            progress=progress,
        )
        return Done(said=tuple(f"package, read back and complete: {one.package}" for one in packed))

    return work


MAKERS = {
    "convert": convert,
    "share": share,
    "print-negative": print_negative,
    "archive": archive,
}
