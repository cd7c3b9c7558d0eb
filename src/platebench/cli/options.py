"""Options that several commands share, completed by the shell, and JSON as it is printed."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click
from click.shell_completion import CompletionItem


def folders(
    _context: click.Context, _parameter: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Let the shell complete the names of folders."""
    return [CompletionItem(incomplete, type="dir")]


def plate_ids(context: click.Context, parameter: click.Parameter, incomplete: str) -> list[str]:
    """Return the plates that the session lists, as far as its file can be read."""
    session = context.params.get("session") or context.params.get("log") or ""
    try:
        with (Path(session) / "session.toml").open("rb") as stream:
            plates = tomllib.load(stream)["plate"]
        names = [str(plate["id"]) for plate in plates]
    except (OSError, TypeError, KeyError, ValueError):
        return []
    named = context.params.get(parameter.name or "") or ()
    return [name for name in names if name.startswith(incomplete) and name not in named]


def process_names(
    context: click.Context, _parameter: click.Parameter, incomplete: str
) -> list[str]:
    """Return the printing processes known here."""
    from platebench.printing.process_file import list_processes, process_folders

    session = context.params.get("session")
    user = Path(click.get_app_dir("platebench"))
    names = list_processes(process_folders(session if isinstance(session, Path) else None, user))
    return [name for name in names if name.startswith(incomplete)]


F = TypeVar("F", bound=Callable[..., Any])

_UNITS = {"": 1, "K": 2**10, "M": 2**20, "G": 2**30, "T": 2**40}
_SIZE = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*([KMGT]?)(?:I?B)?\s*$", re.IGNORECASE)
LEAST_MEMORY = 256 * 2**20
_MOST_MEMORY = 2.0**62  # more than any machine has; a float may be infinite


class _Exampled(click.Command):
    """Help that ends with examples."""

    def __init__(self, *args: Any, examples: tuple[str, ...] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.examples = examples

    def get_help_option_names(self, _ctx: click.Context) -> list[str]:
        """Return the same names in every context: click keeps the option of the first for good."""
        return ["-h", "--help"]

    def format_epilog(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the examples, one a line."""
        with formatter.section("Examples"):
            for example in self.examples:  # never wrapped, so that it can be copied
                formatter.write(f"{'':>{formatter.current_indent}}{example}\n")

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options, limits of numbers in words."""
        options = (param for param in self.get_params(ctx) if isinstance(param, click.Option))
        records = [param.get_help_record(ctx) for param in options]
        with formatter.section("Options"):
            formatter.write_dl([(names, in_words(text)) for names, text in filter(None, records)])
        if isinstance(self, click.Group):
            self.format_commands(ctx, formatter)


class ExampledCommand(_Exampled):
    """A command whose help ends with examples."""


class ExampledGroup(_Exampled, click.Group):
    """A group of commands whose help ends with examples; they are listed as they were added."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Return the commands in the order they are used."""
        return list(self.commands)


def in_words(text: str) -> str:
    """Return the help of an option, limits in words.

    Examples
    --------
    >>> in_words("Quality.  [default: 90; 1<=x<=100]"), in_words("At a time.  [x>=1]")
    ('Quality.  [default: 90; 1 to 100]', 'At a time.  [1 or more]')
    """
    text = re.sub(r"([\d.]+)<=x<=([\d.]+)(?=\])", r"\1 to \2", text)
    return re.sub(r"x>=([\d.]+)(?=\])", r"\1 or more", text)


def size_in_bytes(text: str) -> int:
    """Return a size such as ``6G`` or ``800M`` in bytes; units of 1024.

    Examples
    --------
    >>> size_in_bytes("1.5 GiB") == 3 * 2**29
    True
    """
    match = _SIZE.match(text)
    if match is None:
        raise click.BadParameter(f"{text!r} is no size; write one such as 6G or 800M")
    size = int(min(float(match[1]) * _UNITS[match[2].upper()], _MOST_MEMORY))
    if size < LEAST_MEMORY:
        raise click.BadParameter(f"{text!r} is too little to work in; write at least 256M")
    return size


class PathName(click.Path):
    """A file or folder; no empty name, which a script's unset variable leaves behind.

    It would mean the folder one happens to be in.
    """

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)  # what may not be read is said later

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path."""
        if not str(value).strip():
            self.fail("the name is empty; write one, or . for the folder you are in", param, ctx)
        return super().convert(value, param, ctx)


A_PATH = PathName()


def session_argument(command: F) -> F:
    """SESSION: the folder of captures."""
    return click.argument("session", type=A_PATH, shell_complete=folders)(command)


def plates_option(command: F) -> F:
    """--plate: some plates instead of all."""
    return click.option(
        "--plate",
        "plates",
        multiple=True,
        metavar="ID",
        shell_complete=plate_ids,
        help="Only this plate; repeat for several.  [default: all]",
    )(command)


def results_option(command: F) -> F:
    """--output: the folder of results."""
    return click.option(
        "--output",
        type=A_PATH,
        metavar="FOLDER",
        help="Folder of results.  [default: SESSION/converted]",
    )(command)


def work_options(command: F) -> F:
    """--jobs and --memory: how much of the machine is used."""
    command = click.option(
        "--memory",
        type=size_in_bytes,
        metavar="SIZE",
        help="Memory to take at most, such as 6G.  [default: most of what is free]",
    )(command)
    return click.option(
        "--jobs",
        type=click.IntRange(min=1),
        metavar="N",
        help="Captures to work on at a time; fewer if memory is short.  [default: one a core]",
    )(command)


def cluster_option(command: F) -> F:
    """--cluster: the machines that do the work."""
    return click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Have the work done by a cluster: its scheduler's address, tls://..., or the file it "
        "writes; see docs/cluster.md.",
    )(command)


@contextmanager
def work_done_by(
    cluster: str | None, session: Path, output: Path | None
) -> Iterator[tuple[Path, Path | None]]:
    """Have the work of the block done by a cluster, where one is named.

    Yields
    ------
    (Path, Path or None)
        Session and folder of results, by names that hold on every machine.
    """
    if cluster is None:
        yield session, output
        return
    from platebench.session.cluster import on_cluster

    session, output = session.resolve(), None if output is None else output.resolve()
    with on_cluster(cluster, session=session, output=output):
        yield session, output


def talk_options(command: F) -> F:
    """--json, --quiet and --verbose: how results are told."""
    return json_option(quiet_options(command))


def json_option(command: F) -> F:
    """--json: results for other programs."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print the results as one JSON document."
    )(command)


def quiet_options(command: F) -> F:
    """--quiet and --verbose: how much is said beside results."""
    verbose = click.option(
        "--verbose",
        is_flag=True,
        expose_value=False,
        callback=_speak_up,
        help="Print what is done and how long it takes, a line each on stderr; no progress bar.",
    )
    quiet = click.option(
        "--quiet",
        is_flag=True,
        is_eager=True,  # known before --verbose is looked at
        help="Print errors only; no progress bar.",
    )
    return quiet(verbose(command))


def _speak_up(context: click.Context, _parameter: click.Parameter, wanted: bool) -> None:
    """Follow ``--verbose``, which goes with everything but ``--quiet``."""
    if not wanted or context.resilient_parsing:
        return
    if context.params.get("quiet"):
        raise click.UsageError("--quiet and --verbose exclude one another: give one")
    from platebench.cli.terminal_progress import speak_up

    speak_up(context)


def print_json(document: Mapping[str, Any]) -> None:
    """Print a JSON document on stdout, plain ASCII so that no terminal can spoil it."""
    click.echo(json.dumps(document, indent=2, allow_nan=False))


also_option = click.option(
    "--also",
    type=click.Choice(["gamma", "channels"]),
    multiple=True,
    help="Beside each master, for other readers: in gray gamma 2.2; of 48 bits, red, green and "
    "blue each in a file. May be repeated.",
)
