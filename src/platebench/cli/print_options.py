"""Options of commands that print: the scan of a print, the process, how large, which side."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import click

from platebench.cli.options import A_PATH, process_names
from platebench.cli.quantities import Amount, Span

if TYPE_CHECKING:
    from platebench.printing.scan_gamma import KnownPatch

F = TypeVar("F", bound=Callable[..., Any])


def gamma_option(command: F) -> F:
    """--gamma: how a scan that says nothing of it is coded."""
    return click.option(
        "--gamma",
        type=Span(1, 3),
        default=2.2,
        show_default=True,
        metavar="GAMMA",
        help="Gamma of a scan without a colour profile.",
    )(command)


class _Known(click.ParamType["KnownPatch"]):
    """A patch and its density: ``C7=0.72``."""

    name = "patch"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> KnownPatch:
        """Return the patch."""
        from platebench.printing.scan_gamma import KnownPatch

        name, _, density = str(value).partition("=")
        if not name.strip().isalnum() or not density:
            self.fail(f"{value!r}: write patch and density, such as C7=0.72", param, ctx)
        return KnownPatch(name=name.strip(), density=Amount(0.1, 4).convert(density, param, ctx))


def known_option(command: F) -> F:
    """--known: a density by which a scan's gamma can be seen."""
    return click.option(
        "--known",
        type=_Known(),
        metavar="PATCH=D",
        help="A patch, or a strip's step, as a densitometer reads it above paper white, such as "
        "C7=0.72: shows whether the scan's gamma is right.",
    )(command)


def printer_option(command: F) -> F:
    """--ppi: how fine a sheet is drawn."""
    return click.option(
        "--ppi",
        type=Span(100, 1440),
        default=720.0,
        show_default=True,
        metavar="N",
        help="Pixels per inch the printer works in.",
    )(command)


def keep_in_option(command: F) -> F:
    """--session: where a process profile goes."""
    return click.option(
        "--session",
        type=A_PATH,
        metavar="FOLDER",
        help="Keep the profile in this session.  [default: your settings folder]",
    )(command)


def require_session(session: Path | None) -> None:
    """Refuse a session that is not there: a slip in its name would make a new folder."""
    from platebench.session.settings_file import require_folder

    if session is not None:
        require_folder(session)


if TYPE_CHECKING:
    from platebench.core.formats import PlateFormat

_UNSPACED = re.compile(r"(?<=\d)\s*(mm|cm|in)$")


class PrintSides(NamedTuple):
    """Sides in millimetres, or times the plate's size; neither for its own size."""

    size: PlateFormat | None
    enlarge: float | None


class Sides(click.ParamType["PlateFormat"]):
    """A size such as ``8x10in``, ``203x254mm`` or ``whole plate``."""

    name = "size"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> PlateFormat:
        """Return the sides."""
        from platebench.core.formats import format_named

        found = format_named(_UNSPACED.sub(r" \1", str(value).strip().replace("\u00d7", "x")))
        if found is None:
            self.fail(f"{value!r} is no size; write one such as 8x10in or 203x254mm", param, ctx)
        return found


class FilmSize(Sides):
    """A sheet's size: ``A4``, ``letter``, or sides."""

    name = "film"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> PlateFormat:
        """Return the sides."""
        from platebench.core.formats import PlateFormat

        sides = {"a4": (210.0, 297.0), "a3": (297.0, 420.0), "letter": (215.9, 279.4)}
        known = sides.get(str(value).strip().casefold())
        return PlateFormat(str(value), *known) if known else super().convert(value, param, ctx)


def size_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--size, --enlarge, --same-size: given to the command as one ``size``."""

    @functools.wraps(command)
    def with_sizes(
        *args: Any, sides: PlateFormat | None, enlarge: float | None, same_size: bool, **kwargs: Any
    ) -> Any:
        if sum((sides is not None, enlarge is not None, same_size)) > 1:
            raise click.UsageError("give one of --size, --enlarge and --same-size")
        return command(*args, size=PrintSides(sides, enlarge), **kwargs)

    same = click.option("--same-size", is_flag=True, help="Or as large as the plate: the default.")
    times = click.option(
        "--enlarge", type=Amount(0.05, 50), metavar="N", help="Or N times the plate's own size."
    )
    sides = click.option(
        "--size",
        "sides",
        type=Sides(),
        metavar="WxHmm|in",
        help="The picture as large as fits into these sides, long side to long side, such as "
        "8x10in; it keeps its own shape.",
    )
    return sides(times(same(with_sizes)))


def process_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--process: a profile's name."""
    return click.option(
        "--process",
        required=True,
        metavar="NAME",
        shell_complete=process_names,
        help="Process profile, such as salted-paper.",
    )(command)


def film_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--ppi, --contact, --margins."""
    margins = click.option(
        "--margins",
        type=click.Choice(("clear", "opaque")),
        default="clear",
        help="Clear margins print black, opaque ones keep the paper white.  [default: clear]",
    )
    contact = click.option(
        "--contact",
        type=click.Choice(("ink", "base")),
        default="ink",
        help="Side of the film that will touch the paper. ink: sharpest; the file is mirrored left "
        "for right. base: the file is not mirrored.  [default: ink]",
    )
    ppi = click.option(
        "--ppi",
        type=Amount(72, 5760),
        metavar="N",
        default=720,
        help="Pixels per inch the printer works in.  [default: 720]",
    )
    return ppi(contact(margins(command)))
