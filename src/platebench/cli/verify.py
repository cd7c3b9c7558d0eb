"""``platebench verify``: whether a package is complete, and every byte as it was."""

from __future__ import annotations

from pathlib import Path

import click

from platebench.cli.archive import show_check
from platebench.cli.ending import show_error
from platebench.cli.options import A_PATH, ExampledCommand, print_json, talk_options


@click.command(
    "verify",
    cls=ExampledCommand,
    short_help="Check that a package is complete and unchanged.",
    examples=(
        "platebench verify packages/shelf-3",
        "platebench verify packages/* --json",
    ),
)
@click.argument(
    "packages",
    nargs=-1,
    required=True,
    metavar="PACKAGE...",
    type=A_PATH,
)
@talk_options
@click.pass_context
def command(ctx: click.Context, packages: tuple[Path, ...], as_json: bool, quiet: bool) -> None:
    """Read every file of each PACKAGE and compare it with the package's own manifests.

    Lists missing, extra, unreadable and altered files, and pictures whose tags alone were edited
    apart from those whose pixels changed. Nothing is written, no link is followed. The exit code
    is 13 if a package is not valid.
    """
    from platebench.archive.verify import verify_package
    from platebench.cli.terminal_progress import progress_for
    from platebench.core.errors import ExitCode, PackageError

    progress = progress_for(quiet)
    checks, failed = [], False
    for package in packages:
        try:
            checks.append(verify_package(package, progress=progress))
        except PackageError as error:
            if len(packages) == 1:
                raise
            show_error(error)
            failed = True
    if as_json:
        print_json({"packages": [check.to_json() for check in checks]})
    elif not quiet:
        for check in checks:
            show_check(check)
    valid = not failed and all(check.valid for check in checks)
    ctx.exit(ExitCode.OK if valid else ExitCode.PACKAGE_INVALID)
