"""Tables of calibrated steps: what is read, and what is refused with which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from platebench.core.errors import TabletError
from platebench.measure.tablet.known_tablet import STANDARD, tablet_from_table

from ..refusals import refused


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_two_common_tablets() -> None:
    # check-values section 4 (memory): 0.05, 0.20 ... 3.05 and 0.05, 0.15 ... 3.05.
    assert STANDARD["21"].densities[::5] == (0.05, 0.80, 1.55, 2.30, 3.05)
    assert STANDARD["31"].densities[::10] == (0.05, 1.05, 2.05, 3.05)
    assert not STANDARD["21"].calibrated


@pytest.mark.parametrize(
    "text",
    [
        "step,density\n1,0.06\n2,0.21\n3,0.35\n4,0.52\n",
        "\ufeffStep, Density, Sigma\n1, 0.06, 0.01\n2, 0.21,\n3, 0.35,0.01\n4, 0.52,0.01\n\n",
        "# my tablet\nstep;density\n1;0,06\n2;0,21\n3;0,35\n4;0,52\n",
        "step\ttablet_density\n4\t0.52\n3\t0.35\n2\t0.21\n1\t0.06\n",
    ],
)
def test_tables_as_people_write_them(tmp_path: Path, text: str) -> None:
    tablet = tablet_from_table(table(tmp_path, text))
    assert tablet.densities == (0.06, 0.21, 0.35, 0.52)
    assert tablet.sigmas == (0.01,) * 4 and tablet.calibrated and tablet.name == "own.csv"


def test_counted_from_the_dense_end(tmp_path: Path) -> None:
    path = table(tmp_path, "step,density\n1,0.52\n2,0.35\n3,0.21\n4,0.06\n")
    assert tablet_from_table(path).densities == (0.06, 0.21, 0.35, 0.52)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "step,density"),
        ("a,b\n1,2\n", "step,density"),
        ("step,density,other\n", "step,density"),
        ("step,density\n1,0.1\n", "at least 4"),
        ("step,density\n1,0.1\n1,0.2\n", "step 1"),
        ("step,density\n1,0.1\n2,0.2\n4,0.3\n5,0.4\n", "step 2 to step 4"),
        (
            "step,density\n1,0.1\n2,0.3\n3,0.2\n4,0.4\n",
            "0.3 at step 2 and 0.2 at step 3",
        ),
        (
            "step,density\n1,0.1\n2,0.1\n3,0.2\n4,0.4\n",
            "0.1 at step 1 and 0.1 at step 2",
        ),
        ("step,density\n1,x\n", "line 2: 'x'"),
        ("step,density\n1,nan\n", "line 2: 'nan'"),
        ("step,density\n1,7.5\n", "line 2: '7.5'"),
        ("step,density\none,0.5\n", "line 2: 'one'"),
        ("step,density\n1\n", "line 2: "),
        ("step,density,sigma\n1,0.5,-1\n", "line 2: '-1'"),
    ],
)
def test_refused(tmp_path: Path, text: str, message: str) -> None:
    path = table(tmp_path, text)
    with refused(TabletError, message, path=path):
        tablet_from_table(path)


def test_no_table(tmp_path: Path) -> None:
    with refused(TabletError, path=tmp_path / "none.csv", cause=FileNotFoundError):
        tablet_from_table(tmp_path / "none.csv")
    with refused(TabletError, path=tmp_path, cause=OSError):
        tablet_from_table(tmp_path)
    (tmp_path / "bytes.csv").write_bytes(b"step,density\n\xff\xfe\n")
    with refused(TabletError, path=tmp_path / "bytes.csv", cause=UnicodeDecodeError):
        tablet_from_table(tmp_path / "bytes.csv")
