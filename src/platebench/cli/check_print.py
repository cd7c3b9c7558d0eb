"""``platebench check-print``: is a finished print what its negative should have given."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from platebench.cli.options import A_PATH, ExampledCommand, print_json, process_names, talk_options
from platebench.cli.print_options import gamma_option, require_session
from platebench.cli.show import wrapped

if TYPE_CHECKING:
    from platebench.printing.check_print import PrintCheck


def show_check(found: PrintCheck, picture: Path) -> None:
    """Print the numbers, what to change, and the file."""
    it = found.numbers
    plus_minus = "\N{PLUS-MINUS SIGN}"
    click.echo(f"exposure     {it.stops:+z.2f} {plus_minus} {it.stops_error:.2f} stop")
    clear = it.darker_side and it.fall > 2 * it.fall_error
    side = f", less on the {it.darker_side} side" if clear else ""
    click.echo(
        f"light        {it.fall:.0%} {plus_minus} {it.fall_error:.0%} from side to side{side}"
    )
    click.echo(f"contrast     {it.contrast:.2f} times what it was calibrated to")
    click.echo(f"full black   {it.black:.2f} D, aimed at {it.black_aim:.2f} D")
    click.echo(f"left over    {it.left_over:.1f} L* RMS")
    for line in (*found.advice, *found.notes):
        wrapped(f"{line[0].upper()}{line[1:]}.")
    click.echo(str(picture))


@click.command(
    "check-print",
    cls=ExampledCommand,
    short_help="Compare a finished print with what its negative should have given.",
    examples=(
        "platebench check-print print.tif --negative shelf-3/print-negatives/07.tif",
        "platebench check-print print.tif --negative 07.tif --process rag --json",
    ),
)
@click.argument("scan", type=A_PATH)
@click.option(
    "--negative",
    required=True,
    type=A_PATH,
    metavar="TIFF",
    help="The negative it was printed from, as print-negative wrote it.",
)
@click.option(
    "--process",
    metavar="NAME",
    shell_complete=process_names,
    help="The process profile.  [default: that of the negative]",
)
@click.option(
    "--session",
    type=A_PATH,
    metavar="FOLDER",
    help="Session whose own process profiles count first.  [default: the negative's]",
)
@gamma_option
@talk_options
def command(
    scan: Path,
    negative: Path,
    process: str | None,
    session: Path | None,
    gamma: float,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compare SCAN, a scan of a finished print, with the tones its negative was made for.

    The scan may lie any way round; scan the whole film's print, with automatic levels, contrast
    and sharpening off. Tells exposure, light from side to side, contrast and black, and what to
    change next. SCAN-check.png, beside the scan, shows tones and a map.
    """
    from platebench.core.settings import SESSION_FILE
    from platebench.printing.check_print import (
        check_print,
        check_to_json,
        load_negative,
        write_check,
    )
    from platebench.printing.process_file import load_process, process_folders

    require_session(session)
    known = load_negative(negative)
    beside = negative.resolve().parent.parent  # SESSION/print-negatives/FILE
    if session is None and (beside / SESSION_FILE).is_file():
        session = beside
    folders = process_folders(session, Path(click.get_app_dir("platebench")))
    found = check_print(scan, known, load_process(process or known.process, folders), gamma=gamma)
    picture = scan.with_name(f"{scan.stem}-check.png")
    write_check(picture, found)
    if as_json:
        print_json(check_to_json(found) | {"files": [str(picture)]})
    elif not quiet:
        show_check(found, picture)
