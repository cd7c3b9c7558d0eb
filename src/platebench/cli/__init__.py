"""The command line: the only layer that knows of terminals, exit codes and tracebacks."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from types import FrameType, ModuleType
from typing import Any

import click

from platebench import __version__
from platebench.errors import ExitCode, PlateError

_COMMANDS = (  # in the order they are used
    *("demo", "start", "check", "convert", "watch", "review", "share", "master"),
    *("calibrate", "measure", "curve"),
    *("which-print", "printing-time", "process-chart", "calibrate-process"),
    *("print-negative", "print-plate"),
    *("expose", "develop-log"),
    *("archive", "verify", "reproduce", "catalogue", "audit"),
)


class ErrorBoundary(click.Group):
    """Turn a PlateError into its sentence on stderr and its exit code; load commands late."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order they are used."""
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of one command: the others cost nothing."""
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = _module_of(cmd_name).command
        return command

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; see ``docs/exit-codes.md``."""
        try:
            with _terminated_as_interrupted():
                return super().invoke(ctx)
        except PlateError as error:
            for line in str(error).splitlines():
                click.echo(f"Error: {line}", err=True)
            ctx.exit(error.exit_code)
        except MemoryError:
            click.echo("Error: not enough memory; close other programs, or use --jobs 1", err=True)
            ctx.exit(ExitCode.WORKER_LOST)
        except KeyboardInterrupt:
            again = (
                ", run again to go on" if ctx.invoked_subcommand in ("convert", "master") else ""
            )
            click.echo(f"interrupted; finished files are kept{again}", err=True)
            ctx.exit(ExitCode.INTERRUPTED)


def _module_of(name: str) -> ModuleType:
    return import_module(f"platebench.cli.{name.replace('-', '_')}")


@contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    """Let the polite request to end (SIGTERM) clean up as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@click.group(
    cls=ErrorBoundary,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Try it: platebench demo my-first-session",
)
@click.version_option(__version__, prog_name="platebench")
def main() -> None:
    """Turn captures of glass-plate negatives into positives, proof sheets and measured densities.

    A session is a folder of camera raws or scans made in one sitting. "start" looks through it
    and drafts session.toml; "check" judges the captures while the light box is still set up;
    "convert" makes the pictures. Originals are only ever read.
    """
