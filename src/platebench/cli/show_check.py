"""How verdicts on captures are told: what has to be done first, what is worth knowing last."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.show_lines import wrapped
from platebench.errors import ExitCode

if TYPE_CHECKING:
    from platebench.session.checked_capture import CheckedCapture

_URGENT = ("warn", "fail")


def check_to_json(checked: Sequence[CheckedCapture], code: ExitCode) -> dict[str, Any]:
    """Return the outcome of a check as JSON types, for ``--json``."""
    return {
        "exit_code": int(code),
        "exit": code.name,
        "captures": [_capture_to_json(entry) for entry in checked],
    }


def _capture_to_json(entry: CheckedCapture) -> dict[str, Any]:
    from platebench.session.session_report import error_to_json

    shown: dict[str, Any] = {"plate": entry.plate_id, "capture": entry.name, "role": entry.role}
    if entry.check:
        shown |= entry.check.as_json() | {"capture": entry.name}
    if entry.error:
        shown["error"] = error_to_json(entry.error)
    return shown


def show_check(checked: Sequence[CheckedCapture], *, show_all: bool) -> None:
    """Print each capture with what is urgent; what is only worth knowing follows, said once."""
    notes: dict[str, list[str]] = {}
    for entry in checked:
        if entry.check is None:
            continue
        click.echo(f"{entry.name} ({_role(entry, checked)}): {_word(entry)}")
        for verdict in entry.check.verdicts:
            if show_all or verdict.severity in _URGENT:
                wrapped(str(verdict), indent=f"  {verdict.severity:<5} ", hanging="")
            elif verdict.severity == "note":
                notes.setdefault(str(verdict), []).append(entry.name)
    if notes:
        click.echo("\nWorth knowing:")
        for text, names in notes.items():
            wrapped(f"{text} ({_listed(names)})")


def _role(entry: CheckedCapture, checked: Sequence[CheckedCapture]) -> str:
    if not entry.plate_id:
        return f"{entry.role} frame"
    names = [other.name for other in checked if other.plate_id == entry.plate_id]
    if len(names) == 1:
        return entry.plate_id
    return f"{entry.plate_id}, {names.index(entry.name) + 1} of a bracket of {len(names)}"


def _word(entry: CheckedCapture) -> str:
    assert entry.check is not None
    severity = str(entry.check.severity)
    return "good" if severity == "note" else severity


def _listed(names: Sequence[str]) -> str:
    if len(names) <= 4:
        return ", ".join(names)
    return f"{', '.join(names[:3])} and {len(names) - 3} more"
