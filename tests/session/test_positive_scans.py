"""Scans that show positives: recognised, kept as they are, and nothing said that is not known."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.core.errors import ExitCode, NoDensitiesError
from platebench.plate.shown_tones import tones_of_light
from platebench.printing.plate_range import read_plate_ranges
from platebench.review.plate_readings import read_point
from platebench.review.table import ReviewTable
from platebench.review.telling import plate_to_json
from platebench.session.check_session import check_session
from platebench.session.convert_session import SessionResult, convert_session
from platebench.session.draft_file import write_draft
from platebench.session.drafting import draft_session
from platebench.session.measure_session import measure_session_plate
from platebench.session.scan_hints import likely_misread
from platebench.session.settings_file import load_session
from platebench.synthetic import CameraModel, LightBox, PlateModel
from platebench.synthetic.simulate import true_transmittance
from platebench.synthetic.variety import vary

REAL = sorted((Path(__file__).resolve().parents[3] / "shared" / "data" / "plates").glob("*.jpg"))
real = pytest.mark.skipif(not REAL, reason="no shared real files here")
_GRID = ["--grid", "2x2"]
PLATE = PlateModel(rebate_mm=(2.0, 2.0, 2.0, 2.0), scene="facade")
CAMERA = CameraModel(shape=(420, 540), cfa="MONO", tilt_deg=0.4)


def negative_scan(seed: int = 5) -> np.ndarray:
    """Return the codes, 0 to 1, of a plate on a black mask as a scanner shows it: gamma 2.2."""
    light = true_transmittance(PLATE, LightBox(surround="dark"), CAMERA, seed=seed)
    return np.clip(light, 0, 1) ** (1 / 2.2)


def positive_of(codes: np.ndarray) -> np.ndarray:
    """Return what a scanner's program makes of it: inverted, the thinnest per cent black."""
    black, white = np.quantile(1 - codes, (0.01, 0.99))
    return np.clip((1 - codes - black) / (white - black), 0, 1)


def write_scans(folder: Path, make: Callable[[int], np.ndarray], count: int = 2) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for n in range(count):
        cv2.imwrite(str(folder / f"scan-{n}.png"), np.rint(255 * make(5 + n)).astype(np.uint8))
    return folder


@pytest.fixture(scope="module")
def positives(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a session of two positive scans as ``start`` drafts it, converted."""
    folder = tmp_path_factory.mktemp("positives")
    write_scans(folder, lambda seed: positive_of(negative_scan(seed)))
    write_draft(folder, draft_session(folder, workers=1))
    convert_session(folder, workers=1)
    return folder


def record_of(folder: Path, plate: str = "plate-001") -> dict[str, Any]:
    path = folder / "converted" / "plates" / f"{plate}.json"
    result: dict[str, Any] = json.loads(path.read_bytes())["result"]
    return result


# -- what a scan shows -------------------------------------------------------------------------


@real
@pytest.mark.parametrize("every", [pytest.param(4, marks=pytest.mark.big), 24])
def test_real_scans_none_is_taken_for_the_other(every: int) -> None:
    """Every second plate, on which no limit was set; ``1 - code`` of each is a real negative."""
    judged: Counter[tuple[str, str | None]] = Counter()
    for path in REAL[1::every]:
        code = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255
        for shown, name in ((code, "positive"), (1 - code, "negative")):
            judged[name, tones_of_light((shown**2.2).astype(np.float32))] += 1
    assert judged["negative", "positive"] == judged["positive", "negative"] == 0
    for name in ("negative", "positive"):
        least = 0.75 if every < 24 else 0.5  # few scans: the share of those that cannot be judged
        assert judged[name, name] >= least * len(REAL[1::every])


@pytest.mark.parametrize("seed", range(5100, 5112))
def test_no_simulated_negative_is_taken_for_a_positive(seed: int) -> None:
    """Bare light, masks, holders; rebates on all sides, some, or none. Seeds not looked at."""
    plate, box, camera = vary(seed, (330, 440))
    light = true_transmittance(plate, box, camera, seed=seed)
    light = light if light.ndim == 2 else light.mean(axis=2)
    assert tones_of_light(np.clip(light, 0, 1).astype(np.float32)) in ("negative", None)


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.2])
def test_a_blank_field_and_a_scene_without_rim_cannot_be_judged(gamma: float) -> None:
    rng = np.random.default_rng(4)
    noise = cv2.GaussianBlur(rng.random((300, 400)).astype(np.float32), (0, 0), 9)
    assert tones_of_light(noise**gamma) is None
    assert tones_of_light(np.full((300, 400), 0.9, np.float32)) is None


def test_start_proposes_what_the_scans_show(tmp_path: Path) -> None:
    make = {"positive": lambda s: positive_of(negative_scan(s)), "negative": negative_scan}
    for shows, scan in make.items():
        folder = write_scans(tmp_path / shows, scan)
        done = CliRunner().invoke(main, ["start", str(folder), "--json"])
        told = json.loads(done.stdout)
        assert told["scans"]["shows"] == shows
        assert told["scans"][shows] == 2
        settings = load_session(folder)
        assert settings.scan.shows == shows
        side = {"positive": "light", "negative": "camera"}[shows]
        assert {plate.emulsion for plate in settings.plates} == {side}


def test_start_keeps_the_default_where_it_cannot_tell(tmp_path: Path) -> None:
    def cloud(seed: int) -> np.ndarray:
        field = cv2.GaussianBlur(np.random.default_rng(seed).random((300, 400)), (0, 0), 9)
        return (field - field.min()) / np.ptp(field)

    folder = write_scans(tmp_path, cloud)
    draft = draft_session(folder, workers=1)
    assert draft.settings.scan.shows == "negative"
    assert draft.tones is not None and draft.tones.shows is None and draft.tones.unclear == 2


def test_changing_shows_by_hand_changes_the_side_nobody_named(positives: Path) -> None:
    """The draft leaves the side unsaid: a person who corrects ``shows`` need not know of it."""
    text = (positives / "session.toml").read_text(encoding="utf-8")
    assert 'shows = "positive"' in text and "\nemulsion" not in text


# -- tones and lie -----------------------------------------------------------------------------


def _quartiles_kept(result: np.ndarray, scan: np.ndarray, corners: np.ndarray) -> None:
    """Compare what lies well inside the plate; codes of 8 bits."""
    top, left = np.ceil(corners.min(axis=0) + 12).astype(int)
    bottom, right = np.floor(corners.max(axis=0) - 12).astype(int)
    inside = scan[top:bottom, left:right]
    cut = 12
    shown = result[cut:-cut, cut:-cut] / 257
    for share in (0.25, 0.5, 0.75):
        assert np.quantile(shown, share) == pytest.approx(
            np.quantile(inside, share), abs=3
        )  # the straightened plate has another border
    # Not mirrored: the scan itself fits, its mirror image does not.
    small = [cv2.resize(p.astype(np.float32), (64, 64), interpolation=3) for p in (shown, inside)]
    as_is = np.corrcoef(small[0].ravel(), small[1].ravel())[0, 1]
    mirrored = np.corrcoef(small[0][:, ::-1].ravel(), small[1].ravel())[0, 1]
    assert as_is > 0.95 and as_is > mirrored


def test_a_positive_keeps_its_tones_and_stays_as_it_lies(positives: Path) -> None:
    record = record_of(positives)
    assert record["found"] and not record["flags"]
    scan = cv2.imread(str(positives / record["used"]), cv2.IMREAD_GRAYSCALE)
    made = positives / "converted" / "positives" / "plate-001.tif"
    _quartiles_kept(cv2.imread(str(made), cv2.IMREAD_UNCHANGED), scan, np.array(record["corners"]))


@real
def test_real_positives_keep_their_tones(tmp_path: Path) -> None:
    names = [path for path in REAL if path.stem in ("img1011", "img1201", "img700", "img270")]
    plates = "".join(f'[[plate]]\nid = "{p.stem}"\ncaptures = ["{p.name}"]\n' for p in names)
    (tmp_path / "session.toml").write_text(f'[scan]\nshows = "positive"\n{plates}', "utf-8")
    for path in names:
        (tmp_path / path.name).write_bytes(path.read_bytes())
    convert_session(tmp_path, workers=1)
    for path in names:
        record = record_of(tmp_path, path.stem)
        assert not record["whole"]
        scan = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        made = tmp_path / "converted" / "positives" / f"{path.stem}.tif"
        _quartiles_kept(
            cv2.imread(str(made), cv2.IMREAD_UNCHANGED), scan, np.array(record["corners"])
        )


def test_a_side_that_is_named_turns_a_positive(tmp_path: Path) -> None:
    folder = write_scans(tmp_path, lambda seed: positive_of(negative_scan(seed)), 1)
    pictures = []
    for side in ("light", "camera"):
        (folder / "session.toml").write_text(
            f'[scan]\nshows = "positive"\n[[plate]]\nid = "a"\ncaptures = ["scan-0.png"]\n'
            f'emulsion = "{side}"\n',
            encoding="utf-8",
        )
        convert_session(folder, workers=1)
        made = folder / "converted" / "positives" / "a.tif"
        pictures.append(cv2.imread(str(made), cv2.IMREAD_UNCHANGED).astype(float) / 257)
    assert np.abs(pictures[0] - pictures[1][:, ::-1]).mean() < 1


# -- nothing that is not known -----------------------------------------------------------------


def test_no_densities_of_a_positive(positives: Path) -> None:
    record = record_of(positives)
    figures = ("densities", "base_fog", "d_max", "density_range", "printed", "stain", "glare")
    assert {record[key] for key in figures} == {None}
    assert record["shows"] == "positive" and record["no_densities"]
    with pytest.raises(NoDensitiesError):
        read_plate_ranges(positives / "converted")
    with pytest.raises(NoDensitiesError):
        measure_session_plate(positives, "plate-001", grid=(2, 2))
    topics = {v.topic for e in check_session(positives, workers=1) for v in e.check.verdicts}
    assert not topics & {"noise floor", "glare"}


def test_commands_that_need_densities_end_with_one_line(positives: Path) -> None:
    facsimile = ["--process", "albumen", "--aim", "facsimile"]
    to_plate = ["--process", "albumen"]
    commands: tuple[tuple[str, list[str]], ...] = (
        ("which-print", []), ("print-plate", to_plate), ("print-negative", facsimile),
        ("measure", _GRID),
    )  # fmt: skip
    for command, more in commands:
        done = CliRunner().invoke(main, [command, str(positives), "plate-001", *more])
        assert done.exit_code == ExitCode.INPUT, (command, done.output)
        assert "positive" in done.stderr, command
    made = CliRunner().invoke(main, ["master", str(positives)])
    assert made.exit_code == ExitCode.INPUT and "positive" in made.stderr


def test_shared_printing_leaves_positives_as_they_are(tmp_path: Path) -> None:
    folder = write_scans(tmp_path, lambda seed: positive_of(negative_scan(seed)))
    plates = "".join(f'[[plate]]\nid = "{n}"\ncaptures = ["scan-{n}.png"]\n' for n in range(2))
    (folder / "session.toml").write_text(
        f'[scan]\nshows = "positive"\n[every_plate]\nprinting = "shared"\n{plates}', "utf-8"
    )
    assert [r.error for r in convert_session(folder, workers=1).results] == [None, None]


# -- the wrong way round -----------------------------------------------------------------------


def _converted_as(folder: Path, shows: str) -> SessionResult:
    plates = "".join(f'[[plate]]\nid = "{n}"\ncaptures = ["scan-{n}.png"]\n' for n in range(2))
    text = f'[scan]\nshows = "{shows}"\n{plates}'
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return convert_session(folder, workers=1)


@pytest.mark.parametrize("shows", ["negative", "positive"])
def test_convert_names_the_likely_cause(tmp_path: Path, shows: str) -> None:
    make = {"positive": lambda s: positive_of(negative_scan(s)), "negative": negative_scan}[shows]
    other = {"positive": "negative", "negative": "positive"}[shows]
    folder = write_scans(tmp_path, make)
    wrong = _converted_as(folder, other)
    said = likely_misread(result.record for result in wrong.results)
    assert said is not None and f'shows = "{shows}"' in said
    assert any(f"looks like a {shows}" in flag for flag in wrong.results[0].record.flags)
    assert "scan" in {v.topic for e in check_session(folder, workers=1) for v in e.check.verdicts}
    right = _converted_as(folder, shows)
    assert likely_misread(result.record for result in right.results) is None


# -- elsewhere ---------------------------------------------------------------------------------


def test_the_review_table_shows_a_positive_as_it_was_scanned(positives: Path) -> None:
    table = ReviewTable(positives)
    told = plate_to_json(table, "plate-001")
    assert told["tone_curve"] is told["base_fog"] is None
    shown = table.shown("plate-001")
    assert read_point(shown, "positive", 60, 60) is None
    assert np.array_equal(table.table(shown, "positive"), table.table(shown, "captured"))


def test_a_positive_is_packed_without_masters(positives: Path, tmp_path: Path) -> None:
    refused = CliRunner().invoke(main, ["archive", str(positives), "--output", str(tmp_path)])
    assert refused.exit_code == ExitCode.INPUT
    command = ["archive", str(positives), "--output", str(tmp_path), "--no-masters", "--captures"]
    assert CliRunner().invoke(main, command).exit_code == 0
    again = CliRunner().invoke(main, ["reproduce", str(tmp_path / positives.name)])
    assert again.exit_code == 0, again.output
