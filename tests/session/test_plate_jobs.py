"""Many plates: outcomes in order, failures among them, one exit code for all; what a job holds."""

from __future__ import annotations

import os
import pickle
import signal
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from platebench.core.errors import CaptureError, ExitCode, NoPlateError, WorkerLostError
from platebench.core.image import CaptureInfo, CaptureKind
from platebench.core.installed import profiles_folder
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.plate.job import PlateJob, PlateResult, PrintingEnds
from platebench.plate.light import Dark, Light, LightSource
from platebench.plate.record import PlateRecord
from platebench.session.run_plates import PlateOutcome, PlateRun, PlateWork, exit_code_of
from platebench.tone.profile_file import load_tone


def job(plate_id: str) -> PlateJob:
    settings = PlateSettings(id=plate_id, captures=(f"{plate_id}.dng",))
    return PlateJob(folder=Path("session"), output=Path("out"), settings=settings)


def work(job: PlateJob) -> PlateResult:
    if job.plate_id == "bad":
        raise CaptureError(job.captures[0], "is empty", "copy it again")
    if job.plate_id == "none":
        raise NoPlateError(job.captures[0])
    if job.plate_id == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    return PlateResult(
        plate_id=job.plate_id, written=(job.positive,), record=PlateRecord(notes=("1",))
    )


def run_batch(names: tuple[str, ...], workers: int = 1) -> list[PlateOutcome[PlateResult]]:
    run = PlateRun(Path("session"), SessionSettings(), Path("out"), workers)
    return run.outcomes(PlateWork(what="plates", task=work), [job(name) for name in names])


@pytest.mark.parametrize("workers", [1, 2])
def test_one_bad_plate_does_not_stop_the_rest(workers: int) -> None:
    results = run_batch(("c", "bad", "a"), workers)
    assert [result.plate_id for result in results] == ["c", "bad", "a"]
    assert [type(result.error) for result in results] == [type(None), CaptureError, type(None)]
    assert results[0].made is not None and results[0].made.written == (Path("out/positives/c.tif"),)
    assert exit_code_of(results) is ExitCode.PARTIAL


@pytest.mark.big
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_a_killed_worker_is_reported_not_waited_for() -> None:
    results = run_batch(("a", "kill"), 2)
    assert isinstance(results[1].error, WorkerLostError)
    assert results[0].error is None


@pytest.mark.parametrize(
    ("names", "code"),
    [
        (["a", "b"], ExitCode.OK),
        ([], ExitCode.OK),
        (["a", "none"], ExitCode.PARTIAL),
        (["none", "bad"], ExitCode.INPUT),
    ],
)
def test_exit_codes_by_name(names: list[str], code: ExitCode) -> None:
    assert exit_code_of(run_batch(tuple(names))) is code


def test_a_job_with_all_it_can_hold_travels_between_processes() -> None:
    info = CaptureInfo(path=Path("blank.dng"), kind=CaptureKind.RAW)
    light = Light(
        fields=np.arange(24, dtype=np.float32).reshape(4, 2, 3),
        shape=(20, 30),
        pattern=np.array([[0, 1], [1, 2]], np.uint8),
        channels=1,
        source=LightSource.BLANK,
        info=info,
    )
    dark = Dark(level=np.arange(4, dtype=np.float32), shape=(20, 30), info=info)
    whole = replace(
        job("p"),
        light=light,
        dark=dark,
        tone=load_tone("neutral", [profiles_folder() / "tone"]),
        ends=PrintingEnds(base_fog=0.1, d_max=1.5),
        inputs=(("p.dng", "0" * 64),),
    )
    content = pickle.dumps(whole)
    assert len(content) < 20_000  # paths and small arrays only
    back = pickle.loads(content)
    assert back.light is not None and back.dark is not None
    np.testing.assert_array_equal(back.light.fields, light.fields)
    np.testing.assert_array_equal(back.dark.level, dark.level)
    assert (back.settings, back.tone, back.ends) == (whole.settings, whole.tone, whole.ends)


def test_a_job_names_its_files() -> None:
    one = job("p-1")
    assert one.captures == (Path("session/p-1.dng"),)
    assert one.positive == Path("out/positives/p-1.tif")
    assert one.preview == Path("out/previews/p-1.jpg")
    assert one.record == Path("out/plates/p-1.json")
