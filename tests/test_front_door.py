"""The verbs of one plate: the documented example, against the simulator and the command line."""

from __future__ import annotations

import inspect
import json
import re
from pathlib import Path

import numpy as np
import pytest
import tifffile

import platebench as pb
from platebench.core.errors import CaptureError
from platebench.session.convert_session import convert_session

from .session_files import put_plate, write_session

DOCS = Path(__file__).parents[1] / "docs"


def example() -> str:
    return re.findall(
        r"```python\n(.*?)```", (DOCS / "python.md").read_text(encoding="utf-8"), re.S
    )[0]


def test_the_documented_example_runs_and_is_short(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write_session(tmp_path, names=("wide",))
    (folder / "wide.dng").rename(folder / "plate.dng")
    monkeypatch.chdir(folder)
    monkeypatch.setenv("MPLBACKEND", "agg")
    exec(compile(example(), "python.md", "exec"), {})
    positive = tifffile.imread("positive.tif")
    assert positive.dtype == np.uint16 and positive.std() > 1000
    assert Path("density.png").stat().st_size > 1000
    assert len([line for line in example().splitlines() if line.strip()]) <= 15


def test_the_notebook_agrees_with_the_command(tmp_path: Path) -> None:
    folder = write_session(tmp_path, names=("wide",))
    settings = folder / "session.toml"
    settings.write_text(
        settings.read_text(encoding="utf-8").replace(
            "[every_plate]", '[every_plate]\nglare = "kept"'
        ),
        encoding="utf-8",
    )
    convert_session(folder, workers=1)
    record = json.loads((folder / "converted/plates/wide.json").read_text(encoding="utf-8"))[
        "result"
    ]
    darks = [pb.read_capture(folder / "dark.dng")]
    light = pb.light_from_blanks([pb.read_capture(folder / "blank.dng")], darks)
    seen = pb.flatten(pb.read_capture(folder / "wide.dng"), light, darks)
    found = pb.find_plate(seen)
    assert found.corners == pytest.approx(np.array(record["corners"]), abs=0.006)  # rounded there
    made = tifffile.imread(folder / "converted/positives/wide.tif")
    plate = pb.straighten(seen, found.corners)
    assert plate.shape == made.shape
    densities = pb.measure_plate(plate)
    # The command measures a capture reduced before it is straightened, and divides by the level of
    # the light; both move densities by less than a reading's own error.
    assert densities.d_max == pytest.approx(record["d_max"], abs=0.02)
    assert densities.base_fog == pytest.approx(record["base_fog"], abs=0.02)


def test_every_verb_is_documented_and_typed() -> None:
    verbs = [name for name in pb.__all__ if not name.startswith("__")]
    assert 8 <= len(verbs) <= 10
    words = (DOCS / "python.md").read_text(encoding="utf-8")
    for name in verbs:
        verb = getattr(pb, name)
        assert f"`{name}`" in words
        assert "Parameters" in inspect.getdoc(verb)
        assert "return" in inspect.get_annotations(verb)


def test_errors_are_the_tools_own(tmp_path: Path) -> None:
    with pytest.raises(CaptureError):
        pb.read_capture(tmp_path / "missing.dng")
    with pytest.raises(AttributeError):
        pb.no_such_verb  # noqa: B018


def test_light_may_be_left_out(tmp_path: Path) -> None:
    path = put_plate(tmp_path / "wide.dng", "wide")
    found = pb.find_plate(pb.flatten(pb.read_capture(path)))
    assert found.found
