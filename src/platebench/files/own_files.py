"""Files that were written here before may be written again; anybody else's may not.

What is written under a name or into a folder that a person chose could meet a file of theirs. Ours
are known by what is in them: each kind of JSON by its keys, tables by how they begin, pictures and
pages by the program's name in their metadata.
"""

from __future__ import annotations

from collections.abc import Iterable
from mmap import ACCESS_READ, mmap
from pathlib import Path

from platebench.errors import WriteError
from platebench.files.plain_json import read_json

SPOT_COLUMNS = ("x_mm", "y_mm", "x_px", "y_px")
"""How a table of spot readings begins."""
WEDGE_MARK = "# platebench measure: wedge"
"""How a table of a wedge begins; whatever reads tables of steps leaves such lines out."""
CATALOGUE_MARK = b"\xef\xbb\xbfpackage,plate,"
"""How a table exported from a catalogue begins."""

_KINDS = {
    "readings": {"plate", "calibrated", "notes"},
    "curves": {"schema", "plates", "against_first"},
    "calibration": {"schema", "glare", "callier", "nodes"},
    "chart": {"step_chart", "number", "inks"},
    "report": {"schema", "plates", "platebench"},
    "negative": {"plate", "process", "mirrored", "film_mm"},
}
_STARTS = {
    ".csv": (",".join(SPOT_COLUMNS).encode(), WEDGE_MARK.encode(), CATALOGUE_MARK),
    ".txt": (b"Measured on a step tablet", b"tablet   "),  # the second by earlier versions
}
_NAME = b"platebench"
_LOOKED_AT = 1 << 10
_LARGEST_JSON = 1 << 26


def refuse_foreign(targets: Iterable[Path], kind: str = "") -> None:
    """Refuse to replace files that are not from here.

    Parameters
    ----------
    targets : iterable of Path
        Files about to be written; those that are not there yet are let pass.
    kind : {"readings", "curves", "calibration", "chart", "report", "negative", ""}
        What a .json has to hold already to be replaced.

    Raises
    ------
    WriteError
        For the first that holds something else.
    """
    for target in targets:
        if target.exists() and not target.is_dir() and not _is_own(target, kind):
            raise WriteError(
                target,
                "there is a file of that name that was not made by this command",
                "move it away, or choose another place with --output",
            )


def _is_own(path: Path, kind: str) -> bool:
    try:
        if path.suffix.lower() == ".json":
            return _holds(path, kind)
        with path.open("rb") as stream:
            if path.suffix.lower() in _STARTS:
                start = stream.read(_LOOKED_AT)
                return start.startswith(_STARTS[path.suffix.lower()])
            with mmap(stream.fileno(), 0, access=ACCESS_READ) as content:
                return content.find(_NAME) >= 0  # where metadata lies is the library's choice
    except (OSError, ValueError):  # mmap knows no empty file
        return False


def _holds(path: Path, kind: str) -> bool:
    """Tell whether a JSON is of a kind written here."""
    if path.stat().st_size > _LARGEST_JSON:
        return False
    try:
        document = read_json(path.read_bytes())
    except ValueError:
        return False
    return isinstance(document, dict) and _KINDS[kind] <= document.keys()
