"""Sentences wrapped at the terminal's width, and the outcome of a session in lines or JSON."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterable, Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.ending import show_error
from platebench.cli.options import print_json
from platebench.core.shown import LONGEST_PART, shown

_UNKNOWN = 80  # columns, where output goes into a file or another program
_LEAST = 40  # narrower, indents leave no room for words


def wrapped(text: str, indent: str = "  ", hanging: str = "  ") -> None:
    """Print a sentence, wrapped at the terminal's width; addresses stay whole.

    Parameters
    ----------
    text : str
    indent : str
        Before the first line.
    hanging : str
        Before the lines that follow, beyond the indent.
    """
    click.echo(
        fill(
            text,
            max(_LEAST, columns()),
            initial_indent=indent,
            subsequent_indent=" " * len(indent) + hanging,
            break_on_hyphens=False,
            break_long_words=False,
        )
    )


def show_cautions(cautions: Sequence[str]) -> None:
    """Print cautions, before what they are about; a blank line follows."""
    if not cautions:
        return
    click.echo("Before you begin: cautions")
    for line in cautions:
        wrapped(line)
    click.echo()


def columns() -> int:
    """Return how wide the terminal is; COLUMNS in the environment wins."""
    if sys.stdout.isatty() or "COLUMNS" in os.environ:
        return shutil.get_terminal_size((_UNKNOWN, 24)).columns
    return _UNKNOWN


if TYPE_CHECKING:
    from platebench.session.check_file import CheckedCapture
    from platebench.session.convert_session import SessionResult
    from platebench.session.run_plates import Ended


def show_result(result: SessionResult, *, as_json: bool, quiet: bool) -> None:
    """Tell what became of a session: what was made on stdout, then on stderr what was not."""
    from platebench.session.parts import advice_on_size
    from platebench.session.scan_hints import likely_misread

    if as_json:
        print_json(result_to_json(result))
    elif not quiet:
        failed = sum(plate.error is not None for plate in result.results)
        unchanged = sum(plate.skipped for plate in result.results)
        made = len(result.results) - failed - unchanged
        parts = [f"{made} converted"]
        parts += [f"{unchanged} unchanged"] if unchanged else []
        parts += [f"{failed} failed"] if failed else []
        parts += [f"{len(result.left_out)} left out"] if result.left_out else []
        click.echo("plates: " + ", ".join(parts))
        if misread := likely_misread(plate.record for plate in result.results):
            click.echo(misread)
        if advice := advice_on_size(len(result.results)):
            wrapped(advice, indent="")
        for plate in result.results:
            if plate.record and (flags := plate.record.flags):
                told = shown("; ".join(flags), LONGEST_PART)
                wrapped(f"look at {plate.plate_id}: {told}", indent="")
        no_fog = [p.plate_id for p in result.results if p.record and not p.record.fog_seen]
        if no_fog:
            names = shown(", ".join(no_fog), LONGEST_PART)
            wrapped(
                f"base plus fog not seen, thinnest tone of the picture instead: {names}", indent=""
            )
        if result.left_from_earlier:
            names = shown(", ".join(result.left_from_earlier), LONGEST_PART)
            wrapped(f"left from an earlier run, not in session.toml any more: {names}", indent="")
        for remark in result.log_remarks:
            wrapped(shown(remark, LONGEST_PART), indent="")
        for plate_id, reason in result.not_true_size:
            wrapped(f"not at true size: {plate_id}: {reason}", indent="")
        for path in result.files:
            click.echo(str(path))
    show_errors(result.results, named=True)
    for error in result.errors:
        show_error(error)


def show_errors(outcomes: Iterable[Ended], *, named: bool = False) -> None:
    """Print on stderr why plates failed, a line each.

    Parameters
    ----------
    named : bool
        Begin each with the plate's name: where the error does not tell it.
    """
    for outcome in outcomes:
        if outcome.error is not None:
            show_error(outcome.error, outcome.plate_id if named else "")


def failed_to_json(outcome: Ended) -> dict[str, Any]:
    """Return a plate that failed as JSON types."""
    kind = type(outcome.error).__name__
    return {"plate": outcome.plate_id, "error": {"kind": kind, "message": str(outcome.error)}}


def result_to_json(result: SessionResult) -> dict[str, Any]:
    """Return a session's outcome as JSON types, for ``--json``."""
    from platebench.session.parts import advice_on_size
    from platebench.session.scan_hints import likely_misread
    from platebench.session.session_report import error_to_json, names_in, plate_to_json

    return {
        "session": str(result.folder),
        "output": str(result.output),
        "exit_code": int(result.exit_code),
        "exit": result.exit_code.name,
        "plates": [
            plate_to_json(result.output, plate) | {"unchanged": plate.skipped}
            for plate in result.results
        ],
        "not_at_true_size": dict(result.not_true_size),
        "captures": [capture_to_json(entry) for entry in result.checked],
        "errors": [error_to_json(error) for error in result.errors],
        "left_out": list(result.left_out),
        "left_from_earlier": list(result.left_from_earlier),
        "plate_log": list(result.log_remarks),
        "scans": likely_misread(plate.record for plate in result.results),
        "size": advice_on_size(len(result.results)),
        "files": names_in(result.output, result.files),
    }


def capture_to_json(entry: CheckedCapture) -> dict[str, Any]:
    """Return what was found in a capture as JSON types."""
    from platebench.session.session_report import error_to_json

    shown: dict[str, Any] = {"plate": entry.plate_id, "capture": entry.name, "role": entry.role}
    if entry.check:
        shown |= entry.check.as_json() | {"capture": entry.name}
    if entry.error:
        shown["error"] = error_to_json(entry.error)
    return shown
