"""Options of commands that print: the process, how large, on which side of the film."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from platebench.cli.complete import process_names
from platebench.cli.quantities import Amount

if TYPE_CHECKING:
    from platebench.formats import PlateFormat

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
        from platebench.formats import format_named

        found = format_named(_UNSPACED.sub(r" \1", str(value).strip().replace("\u00d7", "x")))
        if found is None:
            self.fail(f"{value!r} is no size; write one such as 8x10in or 203x254mm", param, ctx)
        return found


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
