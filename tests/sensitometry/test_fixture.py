"""The readings in ``fixtures``, through the command, against the plate's derived figures."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from platebench.cli import main

READINGS = Path(__file__).parents[2] / "fixtures" / "reference-emulsion.csv"


def test_reference_emulsion(tmp_path: Path) -> None:
    arguments = ["curve", str(READINGS), "--exposure", "316.2278", "--base-fog", "0.10"]
    result = CliRunner().invoke(main, [*arguments, "--output", str(tmp_path), "--json"])
    assert result.exit_code == 0, result.output
    (plate,) = json.loads(result.stdout)["plates"]
    # check-values, section 4, plate S2 (derived): gamma 0.68118, contrast index 0.63268, ISO 6
    # speed 2.00; the bounds are 1 % for gamma and 2 % for speed.
    figures = {name: figure["value"] for name, figure in plate["figures"].items()}
    assert figures["gamma"] == pytest.approx(0.68118, rel=0.01)
    assert figures["contrast_index"] == pytest.approx(0.63268, rel=0.01)
    assert plate["speeds"]["point"]["value"]["value"] == pytest.approx(2.0, rel=0.02)
