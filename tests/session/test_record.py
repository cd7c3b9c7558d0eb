"""Records: what is done and unchanged is recognised, and any change is noticed."""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields, replace
from pathlib import Path

import pytest

import platebench.session.record as record_module
from platebench.core.installed import profiles_folder
from platebench.core.settings import PlateSettings, ScanSettings
from platebench.plate.job import PlateJob, PlateResult, PrintingEnds
from platebench.plate.record import PlateRecord, record_from_json
from platebench.plate_log.entry import LogEntry, StepNoted
from platebench.session.record import (
    earlier_ends,
    earlier_result,
    fingerprint_of,
    hash_files,
    write_json,
    write_record,
)
from platebench.tone.profile_file import load_tone

STEP = StepNoted(name="develop", time_s=240.0)
NOTED = LogEntry(plate_id="p-1", given_s=2.5, more=(("shelf", "A 3"),), steps=(STEP,))
ENDS = PrintingEnds(base_fog=0.21, d_max=1.84)
TONES = (profiles_folder() / "tone",)


@pytest.fixture
def job(tmp_path: Path) -> PlateJob:
    for name in ("positives", "previews", "plates"):
        (tmp_path / "out" / name).mkdir(parents=True)
    (tmp_path / "a.dng").write_bytes(b"counts of a plate")
    plain = PlateJob(
        folder=tmp_path,
        output=tmp_path / "out",
        settings=PlateSettings(id="p-1", captures=("a.dng",), corners=((0, 0),) * 4),  # type: ignore[arg-type]
        tone=load_tone("neutral", TONES),
        inputs=(("a.dng", hash_files([tmp_path / "a.dng"])[tmp_path / "a.dng"]),),
    )
    return replace(plain, fingerprint=fingerprint_of(plain))


@pytest.fixture
def done(job: PlateJob) -> PlateResult:
    job.positive.write_bytes(b"positive")
    job.preview.write_bytes(b"preview")
    made = PlateResult(
        plate_id="p-1",
        written=(job.positive, job.preview),
        record=PlateRecord(base_fog=0.21, flags=("kept whole",), log=NOTED),
        ends=ENDS,
    )
    return write_record(job, made)


def test_digests_are_sha256_of_the_content(tmp_path: Path) -> None:
    (tmp_path / "abc").write_bytes(b"abc")
    digests = hash_files([tmp_path / "abc", tmp_path / "none", tmp_path / "abc"])
    # FIPS 180-4 example: SHA-256 of "abc".
    published = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digests == {tmp_path / "abc": published, tmp_path / "none": ""}


def test_what_is_done_and_unchanged_is_found(job: PlateJob, done: PlateResult) -> None:
    assert done.written[-1] == job.record
    again = earlier_result(job)
    assert again is not None and again.skipped
    assert (again.written, again.record, again.ends) == (done.written, done.record, ENDS)


def test_a_record_is_deterministic_and_names_no_place(job: PlateJob, done: PlateResult) -> None:
    first = job.record.read_bytes()
    write_record(job, replace(done, written=done.written[:2]))
    assert job.record.read_bytes() == first
    assert str(job.folder).encode() not in first
    outputs = json.loads(first)["outputs"]
    assert outputs["positives/p-1.tif"] == {
        "bytes": 8,
        "sha256": hashlib.sha256(b"positive").hexdigest(),
    }


CHANGES = {
    "capture": lambda job: replace(job, inputs=(("a.dng", "0" * 64),)),
    "blank": lambda job: replace(job, inputs=(*job.inputs, ("blank.dng", "1" * 64))),
    "order": lambda job: replace(job, inputs=(("b.dng", job.inputs[0][1]),)),
    "setting": lambda job: replace(job, settings=replace(job.settings, rotate=90)),
    "stops": lambda job: replace(job, settings=replace(job.settings, print_stops=0.5)),
    "scan": lambda job: replace(job, scan=ScanSettings(gamma=1.8)),
    "tone": lambda job: replace(job, tone=load_tone("harder", TONES)),
    "ends": lambda job: replace(job, ends=ENDS),
}


@pytest.mark.parametrize("change", CHANGES)
def test_any_change_makes_the_plate_anew(job: PlateJob, done: PlateResult, change: str) -> None:
    changed = CHANGES[change](job)
    changed = replace(changed, fingerprint=fingerprint_of(changed))
    assert changed.fingerprint not in ("", job.fingerprint)
    assert earlier_result(changed) is None


def test_another_version_makes_the_plate_anew(
    job: PlateJob, done: PlateResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_module, "__version__", "9.9.9")
    assert earlier_result(replace(job, fingerprint=fingerprint_of(job))) is None


@pytest.mark.parametrize("damage", ["gone", "longer", "same length", "no record", "broken record"])
def test_damaged_outputs_are_noticed(job: PlateJob, done: PlateResult, damage: str) -> None:
    if damage == "gone":
        job.preview.unlink()
    elif damage == "longer":
        job.positive.write_bytes(b"positive!")
    elif damage == "same length":
        job.positive.write_bytes(b"p0sitive")
    elif damage == "no record":
        job.record.unlink()
    else:
        job.record.write_bytes(job.record.read_bytes()[:100])
    assert earlier_result(job) is None


@pytest.mark.parametrize("key", ["outputs", "result", "ends", "fingerprint"])
@pytest.mark.parametrize("value", [None, 3, "x", [], {"a": "b"}])
def test_a_record_somebody_meddled_with_counts_for_nothing(
    job: PlateJob, done: PlateResult, key: str, value: object
) -> None:
    document = json.loads(job.record.read_bytes())
    document[key] = value
    job.record.write_text(json.dumps(document), encoding="utf-8")
    assert earlier_result(job) is None
    assert earlier_ends(job) is None


def test_a_record_of_another_version_is_read(job: PlateJob, done: PlateResult) -> None:
    """Keys that it does not know have their defaults, those unknown here are passed over."""
    values = json.loads(job.record.read_bytes())["result"]
    assert record_from_json(values) == done.record
    assert list(values) == [part.name for part in fields(PlateRecord)]
    older = {key: value for key, value in values.items() if key not in ("looks", "no_densities")}
    assert record_from_json(older | {"glow": {"a": 1}}) == done.record


@pytest.mark.parametrize(
    "change",
    [
        {"flags": "one"},
        {"d_max": "2.1"},
        {"pixels": [1, 2, 3]},
        {"light": None},
        {"log": {"title": 3}},
    ],
)
def test_a_value_of_another_kind_is_no_record(done: PlateResult, change: dict[str, object]) -> None:
    assert done.record is not None
    with pytest.raises(ValueError, match="Expected"):
        record_from_json(done.record.to_json() | change)


def test_a_missing_input_never_counts_as_done(job: PlateJob, done: PlateResult) -> None:
    missing = replace(job, inputs=(("a.dng", ""),))
    assert fingerprint_of(missing) == ""
    assert earlier_result(replace(missing, fingerprint="")) is None


def test_measured_ends_outlive_changes_of_tone_only(job: PlateJob, done: PlateResult) -> None:
    assert earlier_ends(job) == ENDS
    assert earlier_ends(CHANGES["tone"](job)) == ENDS
    assert earlier_ends(CHANGES["stops"](job)) == ENDS
    assert earlier_ends(CHANGES["capture"](job)) is None
    assert earlier_ends(CHANGES["setting"](job)) is None


def test_json_is_plain_and_whole(tmp_path: Path) -> None:
    write_json(tmp_path / "r.json", {"b": "é", "a": "\udc80"})
    assert json.loads((tmp_path / "r.json").read_bytes()) == {"b": "é", "a": "\udc80"}
    with pytest.raises(ValueError, match="JSON"):
        write_json(tmp_path / "r.json", {"a": float("nan")})
    assert json.loads((tmp_path / "r.json").read_bytes())["b"] == "é"
    assert [path.name for path in tmp_path.iterdir()] == ["r.json"]


def test_lists_of_numbers_stay_on_one_line_and_texts_as_they_are(tmp_path: Path) -> None:
    document = {"a": [1, -2.5e-07, 3], "b": [[1, 2], [3, 4]], "c": "[ 1, 2 ]", "d": ["x"], "e": []}
    write_json(tmp_path / "r.json", document)
    text = (tmp_path / "r.json").read_text(encoding="utf-8")
    assert json.loads(text) == document
    assert '"a": [1, -2.5e-07, 3],' in text and '"c": "[ 1, 2 ]"' in text
