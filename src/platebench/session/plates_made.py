"""From finished plates to what they say: records, logs and curves joined, plate by plate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

from platebench.core.errors import SessionFolderError
from platebench.exposing.exposure import LIGHTS, bellows_factor
from platebench.exposing.own_speed import PlateMade
from platebench.exposing.own_speed_file import Place, PlatesMade
from platebench.exposing.reference_tone import AIM_NET, median_density, tone_above_aim
from platebench.exposing.subject_range import SubjectSeen
from platebench.exposing.sun import airmass, sun_altitude
from platebench.plate.densities import BIN_EDGES, PlateDensities
from platebench.plate.job import RECORDS
from platebench.plate.record import PlateRecord, record_in
from platebench.plate_log.dates import plate_date
from platebench.plate_log.entry import LogEntry
from platebench.sensitometry.curve_file import BatchCurve, curve_for, reference_curve
from platebench.sensitometry.relations import STOP
from platebench.session.session_log import SessionLog, load_session_log
from platebench.session.session_report import OUTPUT_NAME

_NEEDED = (
    ("given_s", "no exposure given"),
    ("meter_ev", "no meter EV"),
    ("f_number", "no aperture"),
    ("light_kind", "no light kind"),
)


def plates_made(
    sessions: Sequence[Path],
    curves: Sequence[BatchCurve] = (),
    *,
    known_q: Mapping[str, tuple[float, float]] | None = None,
    place: Place | None = None,
) -> PlatesMade:
    """Return what the converted plates of some sessions say of speed and of their subjects.

    Parameters
    ----------
    sessions : sequence of Path
        Session folders that were converted.
    curves : sequence of BatchCurve
        By batch and time of development.
    known_q : mapping of str to (float, float) or None
        From test plates of reciprocity.
    place : Place or None
        For the sun's height.

    Raises
    ------
    SessionFolderError
        If a session was not converted, or a record is damaged.
    SettingsFileError, BadSettingError, BadSettingsError
        If a log cannot be read.
    """
    plates: list[tuple[str, PlateMade]] = []
    subjects: list[SubjectSeen] = []
    left_out: dict[str, tuple[str, ...]] = {}
    lacking: dict[str, tuple[str, ...]] = {}
    sessions = list({session.resolve(): session for session in sessions}.values())
    several = len(sessions) > 1
    for session in sessions:
        log = load_session_log(session)
        for plate_id, record in _records(session):
            name = f"{session.name}/{plate_id}" if several else plate_id
            entry = log.entry(plate_id) or record.log or LogEntry(plate_id=plate_id)
            densities, why = _usable(record)
            if densities is None:
                left_out[why] = (*left_out.get(why, ()), name)
                continue
            minutes = None if entry.develop_s is None else entry.develop_s / 60
            curve = curve_for(curves, entry.batch, minutes)
            subjects += _subject_of(name, entry, densities, curve)
            why = next((why for key, why in _NEEDED if getattr(entry, key) in (None, "")), "")
            if why:
                left_out[why] = (*left_out.get(why, ()), name)
                continue
            plate = _plate(name, entry, densities, curve, curves, place)
            plates.append((plate_date(entry.date).first if entry.date else "", plate))
            for what in _lacks(entry, curve, plate, place):
                lacking[what] = (*lacking.get(what, ()), name)
    plates.sort(key=lambda dated: dated[0])
    return PlatesMade(
        plates=tuple(plate for _, plate in plates),
        subjects=tuple(subjects),
        left_out=left_out,
        lacking=lacking,
        known_q=dict(known_q or {}),
        place=place,
    )


def entry_of(session: Path, plate_id: str) -> LogEntry | None:
    """Return what the session's logs say of a plate now."""
    log: SessionLog = load_session_log(session)
    return log.entry(plate_id)


def _records(session: Path) -> list[tuple[str, PlateRecord]]:
    folder = session / OUTPUT_NAME / RECORDS
    paths = sorted(folder.glob("*.json")) if folder.is_dir() else []
    if not paths:
        what, remedy = "holds no records of plates", "convert the session first"
        raise SessionFolderError(session / OUTPUT_NAME, what, remedy)
    return [(path.stem, read_plate_record(path)) for path in paths]


def read_plate_record(path: Path) -> PlateRecord:
    """Read the record that a conversion left of a plate.

    Raises
    ------
    SessionFolderError
        If it is damaged.
    """
    try:
        return record_in(path.read_bytes())
    except (OSError, ValueError) as error:
        what, remedy = "is no record of densities", "delete it and convert the session again"
        raise SessionFolderError(path, what, remedy) from error


def _usable(record: PlateRecord) -> tuple[PlateDensities | None, str]:
    densities = record.densities
    if densities is None or record.no_densities:
        return None, "densities are not known"
    if record.doubtful:
        return None, "the plate's sides are in doubt"
    if len(densities.histogram) != BIN_EDGES.size - 1 or sum(densities.histogram) <= 0:
        return None, "no histogram of densities"
    return densities, ""


def fog_under(densities: PlateDensities, curve: BatchCurve | None) -> float:
    """Return base plus fog of a plate: its rebate's, else its batch's, else its thinnest tone."""
    if densities.base_fog_from == "rebate" or curve is None:
        return densities.base_fog
    return min(curve.base_fog, densities.d_min)


def _plate(
    name: str,
    entry: LogEntry,
    densities: PlateDensities,
    curve: BatchCurve | None,
    curves: Sequence[BatchCurve],
    place: Place | None,
) -> PlateMade:
    assert entry.given_s and entry.f_number and entry.meter_ev is not None
    fog = fog_under(densities, curve)
    least = densities.d_max_at_least
    tone = tone_above_aim(
        median_density(densities.histogram, BIN_EDGES.tolist()) - fog,
        curve,
        aim_log_h=aim_of(curve, curves),
        too_dense=math.inf if least is None else least - fog,
    )
    bellows = 1.0
    if entry.bellows_mm and entry.focal_mm and entry.bellows_mm > entry.focal_mm:
        bellows = bellows_factor(entry.bellows_mm, entry.focal_mm)
    given = math.log2(entry.given_s / entry.f_number**2 / bellows) + entry.meter_ev
    return PlateMade(
        plate_id=name,
        light=entry.light_kind,
        above=round(tone.above, 4),
        sigma=round(tone.sigma, 4),
        bound=tone.bound,
        beyond=round(given - math.log2(100 / 2) - LIGHTS[entry.light_kind].stops, 4),
        seconds=entry.given_s,
        batch=entry.batch,
        metered_on=entry.metered_on,
        airmass=airmass_at(entry.date, entry.hour, place),
    )


def aim_of(curve: BatchCurve | None, curves: Sequence[BatchCurve]) -> float | None:
    """Return where a batch's aim lies in its log exposures: on its curve of gamma nearest 1.

    So a plate developed for longer does not count as a faster one. None where the plate's own curve
    has to do: exposures of the two are not in the same unit.
    """
    if curve is None:
        return None
    alike = [c for c in curves if c.batch == curve.batch and c.absolute == curve.absolute]
    return reference_curve(alike).log_h_at(AIM_NET) if alike else None


def airmass_at(day: str, hour: str, place: Place | None) -> float | None:
    """Return the air that the sun's light came through; None where day, hour or place is lacking.

    Parameters
    ----------
    day : str
        EDTF; it counts where it is one day.
    hour : str
        HH:MM, perhaps with the clock's distance from UTC. Without it the clock is taken to keep the
        full hour nearest to the longitude, and with no longitude the sun's own time.
    """
    known = plate_date(day) if day else None
    if place is None or not hour or known is None or not known.first or known.first != known.last:
        return None
    clock, zone = float(hour[:2]) + float(hour[3:5]) / 60, None
    if len(hour) > len("09:40"):
        sign = -1.0 if hour[5] == "-" else 1.0
        zone = sign * (float(hour[6:8]) + float(hour[9:11]) / 60)
    if place.longitude is None:
        zone = None
    elif zone is None:
        zone = float(round(place.longitude / 15))
    altitude = sun_altitude(
        date.fromisoformat(known.first),
        clock,
        latitude=place.latitude,
        longitude=place.longitude or 0.0,
        zone_h=zone,
    )
    return airmass(altitude)


def _lacks(
    entry: LogEntry, curve: BatchCurve | None, plate: PlateMade, place: Place | None
) -> list[str]:
    lacks = []
    if curve is None and entry.develop_s is None:
        lacks.append("developed for, to choose the curve by (gamma 1 is taken)")
    elif curve is None:
        lacks.append("a curve of its batch for its time (gamma 1 is taken)")
    if not entry.metered_on:
        lacks.append("metered on (an average is taken)")
    if (entry.bellows_mm is None) != (entry.focal_mm is None):
        lacks.append("bellows or focal length (no factor is taken)")
    if plate.light in ("general", "summer-noon") and plate.airmass is None:
        lacks.append(
            "hour and day of a sunlit plate" if place else "latitude, for the sun's height"
        )
    return lacks


def _subject_of(
    name: str, entry: LogEntry, densities: PlateDensities, curve: BatchCurve | None
) -> list[SubjectSeen]:
    """Return the range a subject had, through the curve; nothing without a curve or a class."""
    if curve is None or not entry.subject:
        return []
    fog = fog_under(densities, curve)
    thin, dense = densities.d_min - fog, densities.d_max - fog
    at_least = thin < 0.05 or dense > curve.useful_end - curve.base_fog
    at_least |= densities.d_max_at_least is not None
    span = curve.log_h_at(dense) - curve.log_h_at(thin)
    if span < STOP:
        return []
    return [
        SubjectSeen(
            plate_id=name, subject=entry.subject, log_range=round(span, 4), at_least=bool(at_least)
        )
    ]
