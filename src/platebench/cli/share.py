"""``platebench share``: pictures for screens, from the positives."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    plate_ids,
    print_json,
    session_argument,
    talk_options,
)
from platebench.cli.show import failed_to_json, show_errors


@click.command(
    "share",
    cls=ExampledCommand,
    short_help="Make small pictures of plates for screens.",
    examples=(
        "platebench share shelf-3",
        "platebench share shelf-3 plate-002 --long-side 3000 --edge --caption",
        "platebench share shelf-3 --as webp --output ~/letters",
    ),
)
@session_argument
@click.argument("plates", nargs=-1, metavar="[PLATE]...", shell_complete=plate_ids)
@click.option(
    "--long-side", type=click.IntRange(64, 30_000), default=2000, show_default=True,
    metavar="PIXELS", help="Longest side of the picture; it is never enlarged.",
)  # fmt: skip
@click.option(
    "--as", "kind", type=click.Choice(["jpeg", "png", "webp"]), default="jpeg", show_default=True,
    help="Kind of file.",
)  # fmt: skip
@click.option("--quality", type=click.IntRange(1, 100), default=90, show_default=True, metavar="N",
              help="Of JPEG and WebP.")  # fmt: skip
@click.option("--edge", is_flag=True, help="Keep the plate's edge and rebate.")
@click.option("--neutral", is_flag=True, help="Grey, though the tone profile has a hue.")
@click.option("--caption", is_flag=True, help="A caption below, from the plate log.")
@click.option("--with-place", is_flag=True,
              help="Put the place of the picture into caption and metadata.")  # fmt: skip
@click.option("--output", type=A_PATH, metavar="FOLDER",
              help="Folder of the pictures.  [default: SESSION/converted/shared]")  # fmt: skip
@talk_options
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    plates: tuple[str, ...],
    long_side: int,
    kind: str,
    quality: int,
    edge: bool,
    neutral: bool,
    caption: bool,
    with_place: bool,
    output: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Make sRGB pictures of each PLATE of SESSION, or of all that have been converted.

    They are made from the positives as they are now, retouched or not; edge and rebate are cut
    off. The colours are those of the plate's tone profile, if it has any. Where a plate was taken
    is left out unless you ask for it.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.session.run_plates import exit_code_of
    from platebench.session.share_session import ShareWishes, share_session

    wishes = ShareWishes(
        long_side=long_side,
        kind=kind,  # type: ignore[arg-type]
        edge=edge,
        toned=not neutral,
        caption=caption,
        place=with_place,
        quality=quality,
    )
    results = share_session(session, plates, to=output, wishes=wishes, progress=progress_for(quiet))
    made = [result.made for result in results if result.made is not None]
    if as_json:
        notes = [one.note() for one in made if one.note()]
        files = [str(one.path) for one in made]
        failed = [failed_to_json(result) for result in results if result.error is not None]
        print_json({"session": str(session), "files": files, "notes": notes, "failed": failed})
    elif not quiet:
        for one in made:
            if note := one.note():
                click.echo(f"Note: {note}", err=True)
            click.echo(str(one.path))
    show_errors(results)
    ctx.exit(exit_code_of(results))
