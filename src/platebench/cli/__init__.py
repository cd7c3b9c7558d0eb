"""The command line: the only layer that knows of terminals, exit codes and tracebacks."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import click

from platebench.cli.ending import (
    any_name_can_be_shown,
    open_closed_streams,
    refused_by_the_encoding,
    refused_by_the_system,
    show_error,
    stop_writing,
    terminated_as_interrupted,
)
from platebench.core.errors import ExitCode, PlateError
from platebench.core.files import written_files
from platebench.core.version import __version__

_COMMANDS = (  # in the order they are used
    *("demo", "start", "check", "convert", "watch", "review", "share", "master"),
    *("find-pictures", "calibrate", "measure", "curve"),
    *("which-print", "printing-time", "process-chart", "calibrate-process"),
    *("print-negative", "print-plate", "check-print"),
    *("expose", "develop-log", "own-speed", "plan-plate"),
    *("reciprocity-plate", "batch-book"),
    *("archive", "verify", "reproduce", "catalogue", "audit", "exhibit"),
    *("shortcut", "completion"),
)
_MADE_NAMED = 12  # files written before an error; the rest is counted
_KEPT = "interrupted; finished files are kept"
_LAST_WORDS = {
    **dict.fromkeys(("convert", "master"), f"{_KEPT}, run again to go on"),
    "": "the page is closed; your changes are in session.toml",
    "review": "the review page is closed; your changes are in session.toml",
    "watch": "no longer watching; finished files are kept",
}


class ErrorBoundary(click.Group):
    """Turn a PlateError into its sentence on stderr and its exit code; load commands late."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Return the commands in the order they are used."""
        return list(_COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of one command: the others cost nothing."""
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = _module_of(cmd_name).command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; a slip in its name gets the names that come near."""
        try:
            return super().resolve_command(ctx, args)
        except click.exceptions.NoSuchCommand as error:  # they are loaded late: it knows of none
            raise click.exceptions.NoSuchCommand(
                error.command_name, possibilities=_COMMANDS, ctx=ctx
            ) from None

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; see ``docs/exit-codes.md``."""
        open_closed_streams()
        any_name_can_be_shown()
        with written_files() as written:
            return self._invoke(ctx, written)

    def _invoke(self, ctx: click.Context, written: list[Path]) -> Any:
        try:
            with terminated_as_interrupted():
                return super().invoke(ctx)
        except PlateError as error:
            _say(ctx, error, written)
        except BrokenPipeError:  # whoever read, such as "head", has had enough
            stop_writing()
            ctx.exit(ExitCode.PIPE_CLOSED)
        except OSError as error:
            _say(ctx, refused_by_the_system(error), written)
        except UnicodeEncodeError as error:
            _say(ctx, refused_by_the_encoding(error), written)
        except MemoryError:
            click.echo("Error: not enough memory; close other programs, or use --jobs 1", err=True)
            ctx.exit(ExitCode.WORKER_LOST)
        except KeyboardInterrupt:
            click.echo(_LAST_WORDS.get(ctx.invoked_subcommand or "", _KEPT), err=True)
            ctx.exit(ExitCode.INTERRUPTED)


def _say(ctx: click.Context, error: PlateError, written: list[Path]) -> None:
    """Say on stderr what was made, then why the rest was not."""
    made = [path for path in written if path.exists()]  # what it was made for may be gone
    for path in made[:_MADE_NAMED]:
        click.echo(f"Written: {path}", err=True)
    if len(made) > _MADE_NAMED:
        click.echo(f"Written: {len(made) - _MADE_NAMED} more", err=True)
    show_error(error)
    ctx.exit(error.exit_code)


def _module_of(name: str) -> ModuleType:
    return import_module(f"platebench.cli.{name.replace('-', '_')}")


@click.group(
    cls=ErrorBoundary,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Try it: platebench demo my-first-session",
)
@click.version_option(__version__, prog_name="platebench")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Turn captures of glass-plate negatives into positives, proof sheets and measured densities.

    Without a command the page opens at its front: your sessions, and the day's work in order.

    A session is a folder of camera raws or scans made in one sitting. "start" looks through it
    and drafts session.toml; "check" judges the captures while the light box is still set up;
    "convert" makes the pictures. Originals are only ever read.
    """
    if ctx.invoked_subcommand is None:
        from platebench.cli.review import open_at_front

        open_at_front()
