"""Write docs/commands.md from the commands themselves: python docs/make_commands.py.

What a command takes and says is in its own help; which files it reads and writes, and how it can
end, is said here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import click

from platebench.cli import main
from platebench.cli.options import in_words
from platebench.core.errors import ExitCode

TARGET = Path(__file__).parent / "commands.md"
PROGRAM = "platebench"

_SETTINGS = "`SESSION/session.toml`"
_CAPTURES = f"{_SETTINGS} and the captures it names"
_USER = "your settings folder"
E = ExitCode
_ANY = (E.OK, E.USAGE)
_SESSION = (*_ANY, E.INPUT, E.CALIBRATION, E.OUTPUT, E.SETTINGS)
_BATCH = (E.OK, E.USAGE, E.PARTIAL, *_SESSION[2:], E.WORKER_LOST)

# Of each command: what it reads, what it writes, how it can end.
ABOUT: dict[str, tuple[str, str, tuple[ExitCode, ...]]] = {
    "demo": ("nothing", "FOLDER, which must be new or empty", _BATCH),
    "start": (
        "the captures in SESSION",
        f"{_SETTINGS} and `SESSION/plates.csv`; never one that you have edited",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS, E.WORKER_LOST),
    ),
    "check": (
        _CAPTURES,
        "`SESSION/converted/check.json`, for the report, where the session has been converted",
        _BATCH,
    ),
    "convert": (
        f"{_CAPTURES}, `plates.csv`, `developing.csv`, `calibration.json`, tone profiles",
        "`SESSION/converted`: `positives`, `previews`, `plates`, proof sheet, report",
        _BATCH,
    ),
    "watch": (
        "the captures in SESSION as they arrive",
        f"{_SETTINGS}, `SESSION/converted`",
        (*_BATCH, E.INTERRUPTED),
    ),
    "review": (
        f"{_CAPTURES}, and what convert wrote",
        f"{_SETTINGS}, comments kept; `SESSION/converted` where work is started from the page",
        (*_SESSION, E.INTERRUPTED),
    ),
    "share": (
        f"{_SETTINGS}, positives and records in `SESSION/converted`",
        "`SESSION/converted/shared`",
        (E.OK, E.USAGE, E.PARTIAL, *_SESSION[2:]),
    ),
    "master": (f"{_CAPTURES}, `plates.csv`, `calibration.json`", "`SESSION/masters`", _BATCH),
    "find-pictures": (
        f"{_CAPTURES}, `calibration.json`",
        "nothing; with --write, `SESSION/session.toml`",
        (E.OK, E.USAGE, E.PARTIAL, *_SESSION[2:]),
    ),
    "calibrate": (
        f"{_CAPTURES}, and the tablet's",
        "`SESSION/calibration.json`; a table and a plot in `SESSION/converted`",
        _SESSION,
    ),
    "measure": (f"{_CAPTURES}, `calibration.json`", "the file named by --output", _SESSION),
    "curve": (
        "READINGS and the table named by --tablet",
        "drawings and `curves.json` in the folder named by --output",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "which-print": (
        f"records in `SESSION/converted/plates`; process profiles in `SESSION/process` and {_USER}",
        "nothing",
        (*_ANY, E.INPUT, E.SETTINGS),
    ),
    "printing-time": (
        "READINGS",
        "with --strip the strip's TIFF and PDF; with --process its profile",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "process-chart": (
        "process profiles",
        "the chart as TIFF, PDF and JSON in FOLDER",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "calibrate-process": (
        "SCAN, process profiles, the tables named by --chart and --film",
        f"a profile and a plot in {_USER} or the session",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "print-negative": (
        "positives and records in `SESSION/converted`, process profiles; with --aim facsimile or "
        "--sharpness the captures, too",
        "`SESSION/print-negatives`",
        _BATCH,
    ),
    "check-print": (
        "SCAN, the negative's TIFF and record, process profiles",
        "SCAN-check.png beside the scan",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "print-plate": (
        "records in `SESSION/converted/plates`, process profiles",
        "`SESSION/test-strips`",
        (E.OK, E.USAGE, E.PARTIAL, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "expose": (
        "the table named by --table, the file named by --own-speed",
        "with --log empty cells of `plates.csv`; never one that says something",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "own-speed": (
        "records in `SESSION/converted/plates`, `plates.csv`, `developing.csv`, curves",
        "`own-speed.json` in the last SESSION, or the file named by --output",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "plan-plate": (
        "curves, process profiles, the file named by --own-speed; with --came the plate's record",
        "sheet, card and plan in `SESSION/plans`; empty cells of `plates.csv`",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "batch-book": (
        "BOOK, curves; with --even the captures of a session, with --label own-speed.json",
        "`batches.csv`, charts as PNG and SVG, `limits.json`; with --label a PDF",
        (*_ANY, E.INPUT, E.CALIBRATION, E.OUTPUT, E.SETTINGS),
    ),
    "reciprocity-plate": (
        "READINGS, or captures of the session; curves",
        "`reciprocity.json` beside the curves, or the file named by --output",
        (*_ANY, E.INPUT, E.CALIBRATION, E.OUTPUT, E.SETTINGS),
    ),
    "develop-log": (
        f"`developing.toml` in {_USER}, or the file named by --limits",
        "a line more in LOG",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "archive": (
        f"{_CAPTURES}, and what convert and master wrote",
        "packages in `SESSION/packages`; one that is there is never replaced",
        (*_SESSION[:5], E.PACKAGE_INVALID, E.SETTINGS, E.WORKER_LOST),
    ),
    "verify": ("every file of each PACKAGE", "nothing", (*_ANY, E.PACKAGE_INVALID)),
    "reproduce": (
        "PACKAGE, and the captures where they are not in it",
        "nothing, or the folder named by --output",
        (*_ANY, E.PARTIAL, *_SESSION[2:5], E.PACKAGE_INVALID, E.SETTINGS),
    ),
    "catalogue index": (
        "records and descriptions in the packages of COLLECTION",
        "`catalogue.sqlite`",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "catalogue find": ("`catalogue.sqlite`", "nothing", (*_ANY, E.INPUT, E.SETTINGS)),
    "catalogue export": (
        "`catalogue.sqlite`",
        "the file named by --output",
        (*_ANY, E.INPUT, E.OUTPUT, E.SETTINGS),
    ),
    "exhibit": (
        "converted sessions and packages",
        "a web site in FOLDER",
        (*_ANY, E.PARTIAL, E.OUTPUT, E.SETTINGS),
    ),
    "audit": (
        "every file of the packages that are due",
        "`audits.csv` and `catalogue.sqlite` beside the packages, or beside --catalogue",
        (*_ANY, E.INPUT, E.OUTPUT, E.PACKAGE_INVALID, E.SETTINGS),
    ),
    "shortcut": (
        "nothing",
        "a file in FOLDER: `platebench.desktop`, `.command` or `.bat`",
        (*_ANY, E.OUTPUT),
    ),
    "completion": ("nothing", "nothing", _ANY),
}

_HEAD = """# Commands

*Made by `python docs/make_commands.py` from the commands' own help; a test holds the two in step.*

In a synopsis, `[...]` may be left out and what ends in `...` may be repeated. Every command ends
with 130 (INTERRUPTED) when it is interrupted, with 141 (PIPE_CLOSED) when nobody reads its output
any more, and with 1 (INTERNAL) only by a fault of its own. [Exit codes](exit-codes.md) explains
them all, and what goes to which stream; [errors](errors.md) explains the messages.

`--json`, `--quiet` and `--verbose` mean the same everywhere. So does `--output`: where results go.

`platebench completion bash` (or `zsh`, `fish`) prints a script that lets your shell complete
commands, options, plates and processes; its help shows where to put it.
"""


def leaves(group: click.Group = main, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield the path of every command, in the order they are listed."""
    context = click.Context(group, info_name=" ".join((PROGRAM, *path)))
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from leaves(command, (*path, name))
        else:
            yield (*path, name)


def command_at(path: tuple[str, ...]) -> tuple[click.Command, click.Context]:
    """Return a command and a context that knows its whole name."""
    command: click.Command = main
    context = click.Context(main, info_name=PROGRAM)
    for name in path:
        assert isinstance(command, click.Group)
        found = command.get_command(context, name)
        assert found is not None
        command, context = found, click.Context(found, info_name=name, parent=context)
    return command, context


def section(path: tuple[str, ...]) -> str:
    """Return a command as a section."""
    command, context = command_at(path)
    name = " ".join(path)
    reads, writes, codes = ABOUT[name]
    pieces = " ".join([PROGRAM, name, *command.collect_usage_pieces(context)])
    records = [
        record
        for param in command.get_params(context)
        if isinstance(param, click.Option) and (record := param.get_help_record(context))
    ]
    examples = "\n".join(getattr(command, "examples", ()))
    return "\n".join(
        [
            f"## {name}",
            "",
            f"*{command.short_help}*",
            "",
            f"```\n{pieces}\n```",
            "",
            *_paragraphs(command.help or ""),
            "| option | meaning |",
            "| --- | --- |",
            *(f"| `{_cell(names)}` | {_cell(in_words(text))} |" for names, text in records),
            "",
            f"**Reads** {reads}. **Writes** {writes}.",
            "",
            f"**Exit codes** {', '.join(f'{int(c)} ({c.name})' for c in sorted(codes))}.",
            "",
            f"```\n{examples}\n```",
            "",
        ]
    )


def _paragraphs(text: str) -> Iterator[str]:
    for paragraph in click.formatting.wrap_text(text, 10_000, preserve_paragraphs=True).split(
        "\n\n"
    ):
        yield from (" ".join(paragraph.split()), "")


def _cell(text: str) -> str:
    return re.sub(r"\s+", " ", text).replace("|", "\\|").strip()


def commands_page() -> str:
    """Return the whole page."""
    paths = list(leaves())
    names = [" ".join(path) for path in paths]
    links = " · ".join(f"[{name}](#{name.replace(' ', '-')})" for name in names)
    return "\n".join([_HEAD, links, "", *(section(path) for path in paths)])


if __name__ == "__main__":
    TARGET.write_text(commands_page(), encoding="utf-8")
