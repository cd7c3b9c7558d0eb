"""No "-0.0" in what people read, nor in the files."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import pytest

import platebench
from platebench.cli.watch import arrival_lines
from platebench.measure.spot import SpotReading
from platebench.plate.densities import PlateDensities
from platebench.plate.job import PlateResult
from platebench.plate.record import PlateRecord
from platebench.sensitometry.curve_report import _said
from platebench.sensitometry.figures import Estimate
from platebench.session.watch_session import Arrival

SOURCE = Path(platebench.__file__).parent


def signed_formats(path: Path) -> list[str]:
    """Return the formats of a file that write a sign, and that may write it before nothing."""
    specs = (
        "".join(part.value for part in node.format_spec.values if isinstance(part, ast.Constant))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FormattedValue) and isinstance(node.format_spec, ast.JoinedStr)
    )
    return [spec for spec in specs if "+" in spec and spec[-1] in "f%" and "z" not in spec]


def test_a_number_with_a_sign_has_none_where_it_rounds_to_nothing() -> None:
    """PEP 682: the option z makes a negative zero positive after rounding."""
    files = [path for path in SOURCE.rglob("*.py") if "synthetic" not in path.parts]
    assert len(files) > 100
    assert {path.name: bad for path in files if (bad := signed_formats(path))} == {}


def test_the_search_for_signed_formats_finds_them(tmp_path: Path) -> None:
    path = tmp_path / "said.py"
    path.write_text('f"{a:+.2f} {b:+z.2f} {c:.2f} {d:+6.1%} {e:+g}"', encoding="utf-8")
    assert signed_formats(path) == ["+.2f", "+6.1%"]


def test_densities_a_little_below_nothing_are_told_as_nothing() -> None:
    densities = PlateDensities(
        base_fog=-0.004, base_fog_from="rebate", d_min=-0.004, d_max=1.5, density_range=1.504
    )
    record = PlateRecord(densities=densities, base_fog=-0.004, d_max=1.5, density_range=1.504)
    plate = PlateResult(plate_id="p1", record=record)
    (line,) = arrival_lines(Arrival(files=("a.dng",), plates=(plate,)))
    assert line == "p1: base plus fog 0.00, Dmax 1.50, range 1.50"


@pytest.mark.parametrize(
    ("value", "sigma", "said"),
    [(-0.0004, None, "0.00"), (-0.0004, 0.01, "0.000 +-0.010"), (-0.006, None, "-0.01")],
)
def test_figures_of_curves(value: float, sigma: float | None, said: str) -> None:
    assert _said(Estimate(value, sigma), 2) == said


def test_files_hold_no_negative_zero() -> None:
    spot = SpotReading(
        x_px=-0.01, y_px=1.0, size_px=2.0, x_mm=-0.001, y_mm=0.0, size_mm=2.0, density=-0.00001,
        sigma=0.001, photon_sigma=0.001, light_sigma=0.0, glare_sigma=0.0, calibration_sigma=0.0,
        red=None, green=None, blue=None,
        red_sigma=None, green_sigma=None, blue_sigma=None, printing=None, spread=None, sites=4,
        left_out=0.0, at_least=None, reason=None,
    )  # fmt: skip
    plate = PlateDensities(
        base_fog=-0.0001, base_fog_from="rebate", d_min=-0.0004, d_max=1.0, density_range=1.0
    )
    record = PlateRecord(densities=plate.rounded())
    for document in (spot.to_json(), record.to_json()):
        assert "-0.0" not in json.dumps(document)
