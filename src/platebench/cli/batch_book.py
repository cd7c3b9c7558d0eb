"""``platebench batch-book``: a line a batch, charts with limits, evenness, a label for the box."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platebench.cli.options import (
    A_PATH,
    ExampledCommand,
    folders,
    plate_ids,
    print_json,
    talk_options,
)
from platebench.cli.quantities import Amount
from platebench.cli.show import wrapped

if TYPE_CHECKING:
    from platebench.sensitometry.batch_book import BatchBook, Charted
    from platebench.session.even_plate import Evenness

_HALF_TURN = (
    "The exposing light's own fall is in the evenness of one exposure: give half of it, turn the "
    "plate by 180 degrees, give the other half, and its even slope cancels."
)
_KEEP = "keep dark, cool and dry, on edge (common practice)"
_LABEL_CAUTIONS = (
    "Open under red light only: blue-sensitive. Glass edges cut: gloves, hold by two edges.",
    "Safety data sheets and local rules first (reminders, from memory).",
)


def show_book(
    charted: tuple[Charted, ...], even: Evenness | None, files: list[Path], *, turned: bool
) -> None:
    """Print how each figure stands, and which batches stand out."""
    for one in charted:
        last = one.values[-1]
        shown = f"{10**last:.3g}" if one.figure == "speed" else f"{last:.3f}"
        click.echo(f"{one.figure:<14} {len(one.values):>3} batches, last {shown}: {one.state}")
        if one.outside:
            wrapped(f"outside the limits: {', '.join(one.outside)}")
    if even is not None:
        wrapped(
            f"evenness: sd {even.sd:.3f} D, densest less thinnest {even.span:.3f} D about "
            f"{even.middle:.2f} D, measured",
            indent="",
        )
        if even.doubt or not turned:
            wrapped(f"doubtful: {even.doubt}" if even.doubt else _HALF_TURN)
    for path in files:
        click.echo(str(path))


@click.command(
    "batch-book",
    cls=ExampledCommand,
    short_help="Keep a line a batch: charts with limits, evenness, a label for the box.",
    examples=(
        "platebench batch-book book --curves curves/curves.json --minutes 6",
        "platebench batch-book book --batch 14 --session shelf-3 --even test-7",
        "platebench batch-book book --batch 14 --flaws 2.5 --label",
    ),
)
@click.argument("book", type=A_PATH, shell_complete=folders)
@click.option("--curves", multiple=True, type=A_PATH, metavar="FILE", help="A curves.json whose "
    "curves name their batch; repeat for several.")  # fmt: skip
@click.option("--minutes", type=Amount(0.1, 600), metavar="MIN", help="The time of development to "
    "compare batches at.  [default: that of gamma nearest 1]")  # fmt: skip
@click.option("--batch", metavar="TEXT", help="The batch that the following is about.")
@click.option("--session", type=A_PATH, metavar="FOLDER", help="With --even: the session.")
@click.option("--even", metavar="ID", shell_complete=plate_ids,
    help="A plate that was exposed evenly to about D 1.0.")  # fmt: skip
@click.option("--half-turn", is_flag=True, help="It was turned by 180 degrees at half time.")
@click.option("--flaws", type=Amount(0, 100000), metavar="N", help="Flaws a square decimetre.")
@click.option("--coated", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE",
    help="Day it was coated.")  # fmt: skip
@click.option("--label", is_flag=True, help="Write a label for a box of its plates.")
@click.option("--own-speed", type=A_PATH, metavar="FILE", help="What your finished plates say: "
    "their speed goes on the label.")  # fmt: skip
@click.option("--renew", is_flag=True, help="Work out firm limits anew.")
@talk_options
def command(book: Path, as_json: bool, quiet: bool, **said: Any) -> None:
    """Keep BOOK, a folder with a line a batch: speed at m, gamma, fog, Dmax, evenness, flaws.

    Every figure is drawn with limits by the mean moving range: points only under 8 batches,
    provisional limits to 19, firm ones from 20 on, which stay until --renew. batches.csv may have
    columns of your own.
    """
    from platebench.cli.terminal_progress import progress_for
    from platebench.core.files import make_folder, refuse_foreign
    from platebench.sensitometry.batch_book import (
        charted_to_json,
        firm_limits,
        load_book,
        load_limits,
        write_book,
    )
    from platebench.session.even_plate import even_plate

    about = [name for name in ("even", "flaws", "coated", "label") if said[name]]
    if about and not said["batch"]:
        raise click.UsageError(f"--{about[0]} is about one batch: give --batch")
    if bool(said["even"]) != bool(said["session"]):
        raise click.UsageError("--even and --session go together")
    kept = load_book(book)
    frozen = {} if said["renew"] else load_limits(book)
    kept = _with_curves(kept, said)
    even = None
    if said["even"]:
        even = even_plate(said["session"], said["even"], progress_for(quiet))
    kept = _with_batch(kept, said, even)
    if not kept.lines:
        raise click.UsageError("the book is empty: give --curves, or --batch with what is known")
    charted = kept.charted(frozen)
    make_folder(book)
    pictures = _pictures(book, said, charted, even)
    refuse_foreign([path for path, _ in pictures])
    files = [write_book(book, kept), *_written(pictures)]
    if limits := firm_limits(charted, frozen):
        files.append(_write_limits(book, limits))
    if said["label"]:
        files.append(_write_label(book, kept, said))
    if as_json:
        print_json(
            {
                "batches": [dict(line) for line in kept.lines],
                "charts": [charted_to_json(one) for one in charted],
                "evenness": None
                if even is None
                else {
                    "middle": even.middle,
                    "sd": even.sd,
                    "max_min": even.span,
                    "doubt": even.doubt,
                },
                "files": [str(path) for path in files],
            }
        )
    elif not quiet:
        show_book(charted, even, files, turned=said["half_turn"])


def _with_curves(book: BatchBook, said: dict[str, Any]) -> BatchBook:
    from platebench.core.errors import ReadingsError
    from platebench.sensitometry.batch_book import cells_of_curve
    from platebench.sensitometry.curve_file import curve_for, load_curves

    curves = load_curves(said["curves"])
    for name in dict.fromkeys(curve.batch for curve in curves):
        if not name:
            what, remedy = "has curves of no named batch", "draw them with the batch's name"
            raise ReadingsError(said["curves"][0], what, remedy, "batch")
        curve = curve_for(curves, name, said["minutes"])
        if curve is None:
            what = f'has several times of batch "{name}", and none that is asked for'
            raise ReadingsError(said["curves"][0], what, "compare batches at one time", "minutes")
        book = book.with_line(name, cells_of_curve(curve))
    return book


def _with_batch(book: BatchBook, said: dict[str, Any], even: Evenness | None) -> BatchBook:
    if not said["batch"]:
        return book
    cells = {}
    if even is not None:
        cells = {
            "evenness sd": f"{even.sd:.4f}",
            "evenness max-min": f"{even.span:.3f}",
            "even by": "half turn" if said["half_turn"] else "one exposure",
        }
    if said["flaws"] is not None:
        cells["flaws a dm2"] = f"{said['flaws']:g}"
    if said["coated"]:
        cells["coated on"] = said["coated"].date().isoformat()
    return book.with_line(said["batch"], cells)


def _pictures(
    folder: Path, said: dict[str, Any], charted: tuple[Charted, ...], even: Evenness | None
) -> list[tuple[Path, bytes]]:
    from platebench.core.plate_names import fault_of_id
    from platebench.sensitometry.batch_chart import draw_chart, draw_map
    from platebench.sensitometry.plot_paper import png_of, svg_of
    from platebench.session.even_plate import CELL_MM

    if said["batch"] and (fault := fault_of_id(said["batch"])):
        raise click.UsageError(f"--batch {fault}: files are named after it")
    drawings = [("batches", draw_chart(charted))] if charted else []
    if even is not None:
        title = f"batch {said['batch']}, plate {said['even']}"
        drawings.append((f"even-{said['batch']}", draw_map(even.cells, title, CELL_MM)))
    return [
        (folder / f"{name}.{kind}", content)
        for name, drawing in drawings
        for kind, content in (("png", png_of(drawing)), ("svg", svg_of(drawing)))
    ]


def _written(pictures: list[tuple[Path, bytes]]) -> list[Path]:
    from platebench.core.files import atomic_write

    for path, content in pictures:
        with atomic_write(path) as stream:
            stream.write(content)
    return [path for path, _ in pictures]


def _write_limits(folder: Path, limits: dict[str, Any]) -> Path:
    from dataclasses import asdict

    from platebench.core.files import atomic_write
    from platebench.sensitometry.batch_book import LIMITS

    document = {"limits": {figure: asdict(one) for figure, one in limits.items()}}
    with atomic_write(folder / LIMITS) as stream:
        stream.write(json.dumps(document, indent=2).encode() + b"\n")
    return folder / LIMITS


def _write_label(folder: Path, book: BatchBook, said: dict[str, Any]) -> Path:
    from platebench.write.darkroom_sheet import write_box_label

    line = next(line for line in book.lines if line["batch"] == said["batch"])
    lines = [f"coated {line['coated on']}"] if line.get("coated on") else []
    lines += _speeds(said)
    if line.get("speed"):
        lines.append(
            f"speed at m {line['speed']} ({line.get('speed is', '')}; measured), "
            f"gamma {line.get('gamma') or '?'} at {line.get('minutes') or '?'} min"
        )
    lines.append(_KEEP)
    target = folder / f"label-{said['batch']}.pdf"
    write_box_label(target, f"Batch {said['batch']}", lines, _LABEL_CAUTIONS)
    return target


def _speeds(said: dict[str, Any]) -> list[str]:
    """Return the speed in each light that plates were made in; by rule where there were none."""
    from platebench.exposing.own_speed_file import load_own_speed, rating_by_light

    if not said["own_speed"]:
        return ["ISO 2 in general (common practice, no source): expose a first plate"]
    found = rating_by_light(load_own_speed(said["own_speed"])[1], said["batch"])
    sure = "enough plates"
    told = [
        f"{light} ISO {iso:.2g}" + (f" ({offset.verdict})" if offset.verdict != sure else "")
        for light, (iso, offset) in found.items()
    ]
    return [f"{', '.join(told)}: measured on finished plates"] if told else []
