"""``platebench demo``: an invented session of real raw files, converted."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click

from platebench.cli.options import A_PATH, ExampledCommand, talk_options, work_options
from platebench.cli.show import show_result

NAME = "platebench"


def command_to_type(
    *words: str,
    called: str | None = None,
    found: str | None = None,
    windows: bool = os.name == "nt",
) -> str:
    """Return a command line that calls this program again, quoted for the shell.

    Parameters
    ----------
    words : str
        What follows the program's name.
    called : str or None
        How it was called; None: the first of the process's own arguments.
    found : str or None
        What the shell finds under its name, "" for nothing; None: it is looked for.
    windows : bool
        Quote for Windows.

    Examples
    --------
    >>> command_to_type("review", "my shelf", called=".venv/bin/platebench", found="")
    ".venv/bin/platebench review 'my shelf'"
    """
    called = sys.argv[0] if called is None else called
    found = shutil.which(NAME) or "" if found is None else found
    line = [*_program(Path(called), found), *words]
    return subprocess.list2cmdline(line) if windows else shlex.join(line)


def _program(called: Path, found: str) -> list[str]:
    if called.name == "__main__.py":  # python -m platebench
        return [sys.executable, "-m", NAME]
    if called.stem != NAME or (found and _bare(Path(found)) == _bare(called)):
        return [NAME]
    return [str(called)]


def _bare(path: Path) -> Path:
    """Return the program's own file, without the ending that Windows adds or leaves out."""
    return path.resolve().with_suffix("")


@click.command(
    "demo",
    cls=ExampledCommand,
    short_help="Write an invented session of raw files and convert it.",
    examples=("platebench demo my-first-session",),
)
@click.argument("folder", type=A_PATH)
@work_options
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    folder: Path,
    jobs: int | None,
    memory: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write an invented session into FOLDER and convert it, to see how all this works.

    The captures are real raw files (DNG) of plates that never were, made by the simulator. FOLDER
    must be new or empty. Afterwards open FOLDER/converted/proof-sheet.pdf.
    """
    from dataclasses import replace

    from platebench.cli.terminal_progress import progress_for
    from platebench.core.files import atomic_write, make_empty_folder, make_folder
    from platebench.plate_log.read_log import FILE_NAME
    from platebench.session.convert_session import convert_session
    from platebench.session.draft_file import write_draft
    from platebench.session.drafting import draft_session
    from platebench.synthetic.demo import (
        DARKROOM,
        TEST_PLATES,
        demo_plate_log,
        demo_test_plates,
        with_makers_notes,
        write_demo_session,
        write_demo_test_session,
    )

    make_empty_folder(folder)  # refused before anything is announced
    progress = progress_for(quiet)
    progress.note(f"writing the captures of an invented afternoon into {folder} ...")
    write_demo_session(folder)
    write_demo_test_session(folder / TEST_PLATES)
    draft = draft_session(folder, workers=jobs, memory=memory, progress=progress)
    write_draft(folder, replace(draft, settings=with_makers_notes(draft.settings)))
    with atomic_write(folder / FILE_NAME) as stream:
        stream.write(demo_plate_log([plate.id for plate in draft.settings.plates]))
    make_folder(folder / DARKROOM)
    for name, content in demo_test_plates().items():
        with atomic_write(folder / DARKROOM / name) as stream:
            stream.write(content)
    result = convert_session(folder, workers=jobs, memory=memory, progress=progress)
    show_result(result, as_json=as_json, quiet=quiet)
    if not (as_json or quiet):
        click.echo(f"Look at {result.output / 'proof-sheet.pdf'}")
        again = command_to_type("review", str(folder))
        click.echo(f"or at the plates themselves: {again}")
    ctx.exit(result.exit_code)
