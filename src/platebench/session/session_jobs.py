"""From settings to work orders: what each plate needs, how much memory, and where it may go."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from platebench.errors import WriteError
from platebench.files.own_files import refuse_foreign
from platebench.fsio import make_folder, remove_unfinished
from platebench.plate_job import POSITIVES, PREVIEWS, RECORDS, PlateJob
from platebench.profiles_folder import profiles_folder
from platebench.session.originals import captures_of, refuse_captures
from platebench.session.room import Peak, peak_of
from platebench.session.session_calibration import blank_digests, session_calibration
from platebench.session.session_log import SessionLog, load_session_log
from platebench.session.session_report import session_files
from platebench.settings import SessionSettings
from platebench.stages.tone import ToneProfile
from platebench.stages.tone_file import load_tone


def plate_jobs(
    folder: Path,
    output: Path,
    settings: SessionSettings,
    digests: dict[Path, str],
    log: SessionLog | None = None,
) -> list[PlateJob]:
    """Return the work orders of a session, light and shared printing still to come.

    Parameters
    ----------
    digests : dict of Path to str
        SHA-256 of the session's captures.
    log : SessionLog or None
        What is known of the plates; None: what the folder's logs say.

    Raises
    ------
    MissingProfileError, BadSettingError
        If a tone profile is missing or wrong.
    SettingsFileError, BadSettingError, BadSettingsError
        If the plate log cannot be read.
    TabletError
        If there is a calibration that cannot be read.
    """
    calibration = session_calibration(folder)
    blanks = blank_digests(folder, settings, digests)
    log = load_session_log(folder) if log is None else log
    places = (folder, profiles_folder() / "tone")
    tones: dict[str, ToneProfile] = {}
    jobs = []
    for plate in settings.plates:
        if plate.skip:
            continue
        if plate.tone not in tones:
            tones[plate.tone] = load_tone(plate.tone, places)
        names = (*plate.captures, *settings.blank, *settings.dark)
        jobs.append(
            PlateJob(
                folder=folder,
                output=output,
                settings=plate,
                scan=settings.scan,
                calibration=calibration,
                blanks=blanks,
                tone=tones[plate.tone],
                entry=log.entry(plate.id),
                inputs=tuple((name, digests[folder / name]) for name in names),
            )
        )
    return jobs


def peak_of_job(job: PlateJob) -> Peak:
    """Return the memory one worker takes at its peak for a job."""
    return peak_of(job.settings.colour, job.captures)


def check_output(
    folder: Path, output: Path, jobs: Sequence[PlateJob], settings: SessionSettings
) -> None:
    """Make the folders of results; refuse, before the first plate, what cannot work.

    Raises
    ------
    WriteError
        If a folder cannot be written, or an output would replace a capture, one of a plate that
        is left out included, or a file that is not from here.
    """
    if output.exists() and not output.is_dir():
        raise WriteError(output, "it is a file", "choose another folder with --output")
    if output.resolve() == folder.resolve():  # a proof sheet there would be drafted as a plate
        raise WriteError(output, "it is the folder of captures", "choose another with --output")
    targets = [path for job in jobs for path in (job.positive, job.preview, job.record)]
    refuse_captures((*targets, *session_files(output)), captures_of(folder, settings))
    refuse_foreign(session_files(output), "report")
    for place in (output, *(output / name for name in (POSITIVES, PREVIEWS, RECORDS))):
        make_folder(place)
        remove_unfinished(place)
