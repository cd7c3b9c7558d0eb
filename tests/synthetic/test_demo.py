"""The demo's session: real raw files, in order, and what its maker knows."""

from datetime import datetime
from fractions import Fraction
from pathlib import Path

import exifread
import numpy as np
import pytest
import rawpy

from platebench.core.errors import WriteError
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.plate_log.read_log import load_plate_log
from platebench.synthetic.demo import demo_plate_log, with_makers_notes, write_demo_session

from ..refusals import refused


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    return write_demo_session(tmp_path_factory.mktemp("demo") / "session", long_side=480)


def tags_of(path: Path) -> dict[str, str]:
    with path.open("rb") as stream:
        return {name: str(value) for name, value in exifread.process_file(stream).items()}


def light_of(path: Path) -> np.ndarray:
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image_visible.astype(np.float64) - raw.black_level_per_channel[0]


def test_files_in_order_of_time(session: tuple[Path, ...]) -> None:
    assert len(session) == 17
    assert sorted(session[0].parent.iterdir()) == list(session)
    times = [
        datetime.strptime(tags_of(path)["EXIF DateTimeOriginal"], "%Y:%m:%d %H:%M:%S")
        for path in session
    ]
    assert times == sorted(set(times))


def test_blanks_first_and_dark_card_and_room_last(session: tuple[Path, ...]) -> None:
    assert all(light_of(path).min() > 3000 for path in session[:3])
    assert abs(light_of(session[-4])).max() < 40
    card, small, off = (light_of(path) for path in session[-3:])
    assert card.max() > 3000 and 0.2 < np.mean(card < 100) < 0.5
    assert small.max() > 3000 and 0.05 < np.mean(small < 100) < 0.2
    assert 0 < off.mean() < 0.02 * 64 * light_of(session[0]).mean()
    greens = light_of(session[0])[0::2, 1::2]
    assert 0.6 < greens.max() / (16383 - 512) < 0.99  # just below clipping


def test_there_is_a_bracket_one_stop_apart(session: tuple[Path, ...]) -> None:
    times = [tags_of(path)["EXIF ExposureTime"] for path in session]
    assert times[4:7] == ["1/30", "1/15", "1/8"]
    assert set(times[:4] + times[7:-1]) == {"1/15"}
    assert float(Fraction(times[-1])) == pytest.approx(64 / 15, rel=0.01)


def test_makers_notes(session: tuple[Path, ...]) -> None:
    names = [path.name for path in session]
    plates = [PlateSettings(id=n, captures=(n,)) for n in names[3:13] if n not in names[5:7]]
    plates.append(PlateSettings(id="other", captures=("other.dng",)))
    noted = with_makers_notes(SessionSettings(plates=tuple(plates)))
    assert [p.id for p in noted.plates] == [p.id for p in plates]
    assert [p.format for p in noted.plates] == ["13x18 cm"] * 5 + ["9x12 cm"] * 2 + ["13x18 cm", ""]
    assert [p.emulsion for p in noted.plates].index("light") == 3
    assert [p.rotate for p in noted.plates] == [0, 0, 0, 0, 270, 0, 0, 0, 0]
    assert noted.title


def test_a_folder_in_use_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("keep me", encoding="utf-8")
    with refused(WriteError, path=tmp_path):
        write_demo_session(tmp_path, long_side=300)
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def test_the_maker_s_log_names_every_plate(tmp_path):
    path = tmp_path / "plates.csv"
    path.write_bytes(demo_plate_log([f"plate-{n}" for n in range(1, 9)]))
    log = load_plate_log(path)
    assert len(log) == 8
    assert all(entry.title and entry.date for entry in log.values())
    assert log["plate-2"].develop_s == 480.0
    assert log["plate-1"].more == (("shelf", "A 3"),)
