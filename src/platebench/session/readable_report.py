"""The report of a session for people, as HTML and as PDF, from records and previews."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from platebench.core.camera_time import time_in_words
from platebench.core.installed import versions
from platebench.core.progress import Progress, working
from platebench.core.settings import PlateSettings, SessionSettings
from platebench.measure.tablet.known_tablet import tablet_in_words
from platebench.plate.densities import BIN, BIN_EDGES
from platebench.plate.job import PlateResult, preview_of
from platebench.plate.pictures import settings_of
from platebench.plate.record import PlateRecord
from platebench.plate_log.dates import date_in_words
from platebench.plate_log.entry import LogEntry
from platebench.session.check_file import KeptChecks, Verdicts
from platebench.session.parts import MadeFrom, Part, parts_of
from platebench.session.record import Known
from platebench.session.scan_hints import likely_misread
from platebench.session.session_report import (
    READABLE,
    READABLE_PDF,
    days_of,
    digests_of_previews,
    with_pictures,
)
from platebench.write.report_page import (
    Fact,
    Histogram,
    IndexLine,
    LightPart,
    PlatePart,
    ReportFacts,
    write_report_html,
)
from platebench.write.report_pdf import write_report_pdf

_JOIN = 2  # steps of the record's histogram in one of the report's
_LOG = (
    ("place", "place"), ("date", "exposed"), ("emulsion", "emulsion"), ("batch", "batch"),
    ("coated_on", "coated"), ("holder", "holder"), ("light", "light"), ("lens", "lens"),
    ("f_number", "f-number"), ("metered_s", "metered"), ("given_s", "given"),
    ("developer", "developer"), ("dilution", "dilution"), ("temperature_c", "temperature, °C"),
    ("develop_s", "developed"), ("fixing", "fixing"), ("washing", "washing"), ("notes", "notes"),
)  # fmt: skip

_TERMS = (
    (
        "FADGI",
        "a published guideline for digitising in archives, which grades pictures by one to four "
        "stars. Figures are measured against it; nothing is certified.",
    ),
    (
        "SNR 10",
        "signal ten times the noise. D at SNR 10 is the deepest density at which one reading "
        "scatters by no more than 0.04; what is denser is seen, but grainy.",
    ),
)


def write_readable_report(
    folder: Path,
    output: Path,
    settings: SessionSettings,
    results: Sequence[PlateResult],
    made_from: MadeFrom,
    remarks: Sequence[str] = (),
    progress: Progress | None = None,
    known: Known | None = None,
) -> tuple[Path, ...]:
    """Write ``report.html`` and ``report.pdf``, in parts for a large session; return all files.

    What shows the same as before is left as it is.

    Raises
    ------
    WriteError
        If one cannot be written.
    """
    whole = report_facts(folder, output, settings, results, remarks)
    digests = digests_of_previews(output, results, known)
    pages = _pages(whole)
    writers = (READABLE, write_report_html), (READABLE_PDF, write_report_pdf)
    files: list[Path] = []
    with working(progress, "report", len(writers) * len(pages)) as told:
        for name, write in writers:
            for part, facts in pages:
                path = output / (name if part is None else part.name(name))
                shown = [replace(plate, picture=None) for plate in facts.plates]
                pictures = [digests[plate.picture] for plate in facts.plates if plate.picture]

                def write_it(path: Path = path, facts: ReportFacts = facts) -> tuple[Path, ...]:
                    write(path, facts)  # noqa: B023 (called before the next is taken)
                    return (path,)

                facts_told = (replace(facts, plates=()), shown, pictures)
                files += made_from.made(path.name, facts_told, write_it)
                told.advance(path.name)
    return tuple(files)


def _pages(whole: ReportFacts) -> list[tuple[Part[PlatePart] | None, ReportFacts]]:
    """Return the report's files: one, or an index and the parts it leads to."""
    parts = parts_of(whole.plates)
    if len(parts) == 1:
        return [(None, whole)]
    index = []
    pages: list[tuple[Part[PlatePart] | None, ReportFacts]] = []
    for part in parts:
        stem = Path(part.name(READABLE)).stem
        index += [replace(line, part=stem) for line in index_of(part.plates)]
        span = part.span(part.plates[0].plate_id, part.plates[-1].plate_id)
        of_part = ReportFacts(
            title=whole.title,
            summary=(f"{span}.",),
            plates=tuple(part.plates),
            index=tuple(index_of(part.plates)),
            checked=whole.checked,
            part=stem,
        )
        pages.append((part, of_part))
    return [(None, replace(whole, plates=(), index=tuple(index))), *pages]


def index_of(plates: Sequence[PlatePart]) -> list[IndexLine]:
    """Return a line for each plate of a file."""
    return [
        IndexLine(
            plate_id=plate.plate_id,
            title=plate.title,
            place=place,
            state="not converted" if plate.error else "; ".join(plate.flags),
            figures=plate.figures,
        )
        for place, plate in enumerate(plates, 1)
    ]


def report_facts(
    folder: Path,
    output: Path,
    settings: SessionSettings,
    results: Sequence[PlateResult],
    remarks: Sequence[str] = (),
) -> ReportFacts:
    """Return what the report says."""
    of = {plate.id: plate for plate in settings.plates}
    kept = KeptChecks(folder, output)
    verdicts = {r.plate_id: kept.verdicts(of[r.plate_id].captures) for r in results}
    failed = sum(result.error is not None for result in results)
    doubtful = sum(bool(result.record and result.record.flags) for result in results)
    summary = [f"{len(results)} plates" if len(results) != 1 else "1 plate"]
    summary += [f"{failed} not converted"] if failed else []
    summary += [f"{doubtful} to look at"] if doubtful else []
    misread = likely_misread(result.record for result in results)
    left_out = [plate.id for plate in settings.plates if plate.skip]
    light = _light(kept, settings)
    said_of_all = [*verdicts.values(), *(part.verdicts for part in light)]
    plates = tuple(
        plate_part(folder, output, settings_of(r.plate_id, of), r, verdicts.get(r.plate_id))
        for r in with_pictures(results)
    )
    return ReportFacts(
        title=settings.title or "A session of plates",
        date=days_of(results),
        summary=(
            ", ".join(summary) + ".",
            *([f"{misread}."] if misread else []),
            *_left_out(left_out),
        ),
        light=light,
        plates=plates,
        index=tuple(index_of(plates)),
        versions=tuple(versions().items()),
        remarks=tuple(remarks),
        checked=any(found is not None for found in verdicts.values()),
        terms=_terms(text for found in said_of_all for _, text in found or ()),
    )


def plate_part(
    folder: Path,
    output: Path,
    settings: PlateSettings,
    result: PlateResult,
    verdicts: Verdicts | None,
) -> PlatePart:
    """Return what the report says of one plate."""
    record = result.record
    if result.error or record is None:
        told = str(result.error).replace(f"{folder}{os.sep}", "")  # the report may travel
        return PlatePart(plate_id=result.plate_id, error=told)
    return PlatePart(
        plate_id=result.plate_id,
        title=record.log.title if record.log else record.caption,
        picture=preview_of(output, result.plate_id),
        measured=tuple(_measured(record)),
        figures=_figures(record),
        settings=tuple(_settings(settings, record)),
        about=tuple(_about(record.log)) if record.log else (),
        flags=record.flags,
        notes=(*record.notes, *([settings.note] if settings.note else [])),
        verdicts=verdicts or (),
        histogram=_histogram(record),
    )


def _with_error(density: float, sigma: float | None) -> str:
    return f"{density:z.2f}" + ("" if sigma is None else f" ± {max(sigma, 0.01):.2f}")


def _measured(record: PlateRecord) -> list[Fact]:
    facts = []
    densities, dense_end = record.densities, record.dense_end
    if densities is None or dense_end is None:
        facts.append(("densities", f"not known: {record.no_densities}"))
    else:
        fog = "base plus fog" if record.fog_seen else "thinnest tone (no rebate seen)"
        facts.append((fog, _with_error(densities.base_fog, densities.base_fog_sigma)))
        d_max, span, bound = dense_end
        if bound:
            facts.append(("Dmax", f"at least {d_max:z.2f} (reads {densities.d_max:z.2f})"))
        else:
            facts.append(("Dmax", _with_error(d_max, densities.d_max_sigma)))
        known = _with_error(span, densities.density_range_sigma)
        facts.append(("density range", f"at least {span:z.2f}" if bound else known))
        if densities.blue_range:
            facts.append(("range to blue light", f"{densities.blue_range:z.2f}"))
    if record.size_mm and record.ppi:
        facts.append(("size", f"{record.size_said} ({record.ppi:.0f} ppi)"))
    if (part := record.picture) and part.box_px:
        within = "within the rebate" if part.part == "rebate" else "a rectangle"
        wide = f", {part.size_mm[0]:.1f} x {part.size_mm[1]:.1f} mm" if part.size_mm else ""
        cut = "" if part.cut else "; the positive is whole"
        facts.append(("printed and shared", f"{within}{wide}{cut}"))
    facts.append(("tilt in the capture", f"{record.tilt_deg:z.1f}°"))
    if glare := record.glare:
        off = ", taken off" if glare.taken_off else ""
        share = f"{100 * glare.share:.2f} % of the bare light"
        facts.append(("glare", f"{share} ({glare.source}){off}"))
    if record.calibration:
        facts.append(("calibrated with", tablet_in_words(record.calibration.tablet)))
    if after := record.light.uniformity_after:
        even = f"even to {100 * after.sd_over_mean:.2f} % (standard deviation)"
        facts.append(("bare light, flattened", even))
    return facts


def _figures(record: PlateRecord) -> tuple[str, ...]:
    """Return a plate's figures for the table of all plates."""
    if record.densities is None or record.dense_end is None:
        return (record.format, "", "", "")
    d_max, span, bound = record.dense_end
    least = "at least " if bound else ""
    fog = f"{record.densities.base_fog:z.2f}" + ("" if record.fog_seen else " (thinnest)")
    return (record.format, fog, f"{least}{d_max:z.2f}", f"{least}{span:z.2f}")


def _settings(settings: PlateSettings, record: PlateRecord) -> list[Fact]:
    corners = "by hand" if record.by_hand else f"found, confidence {record.confidence:.2f}"
    facts = [
        ("captures", ", ".join(settings.captures)),
        ("format", settings.format or "unknown"),
        ("emulsion towards", settings.emulsion),
        ("turned", f"{settings.rotate}°"),
        ("corners", "whole capture" if record.whole else corners),
    ]
    if printed := record.printed:
        black = _with_error(printed.black_at, printed.black_at_sigma)
        white = _with_error(printed.white_at, printed.white_at_sigma)
        facts += [
            ("tone", settings.tone),
            ("prints as black", f"density {black}, and what is thinner"),
            ("prints as white", f"density {white}, and what is denser"),
        ]
    facts.append(("checked", "by a person" if settings.checked else "not yet"))
    if not printed:
        return [*facts, ("tone", "as scanned")]
    if settings.print_contrast != 1:
        facts.append(("contrast", f"{settings.print_contrast:g} x the paper's"))
    if settings.print_stops:
        facts.append(("printing exposure", f"{settings.print_stops:+g} stops"))
    return facts


def _about(log: LogEntry) -> list[Fact]:
    facts = []
    for key, name in _LOG:
        value = getattr(log, key)
        if value not in (None, ""):
            shown = _shown(key, value)
            facts.append((name, f"{shown:g}" if isinstance(shown, float) else str(shown)))
    return facts


def _shown(key: str, value: Any) -> Any:
    """Return a cell of the plate log as a person says it: dates and times in words."""
    if key in ("date", "coated_on"):
        return date_in_words(value)
    return time_in_words(value) if key.endswith("_s") else value


def _histogram(record: PlateRecord) -> Histogram | None:
    if record.densities is None or not record.densities.histogram:
        return None
    counts = record.densities.histogram
    whole = len(counts) - len(counts) % _JOIN
    return Histogram(
        counts=tuple(sum(counts[n : n + _JOIN]) for n in range(0, whole, _JOIN)),
        first=float(BIN_EDGES[0]),
        step=BIN * _JOIN,
        base_fog=record.densities.base_fog,
        d_max=record.densities.d_max,
    )


def _light(kept: KeptChecks, settings: SessionSettings) -> tuple[LightPart, ...]:
    parts = []
    kinds = (
        ("Blank frame", settings.blank),
        ("Dark frame", settings.dark),
        ("Card capture", settings.card),
        ("Box-off capture", settings.box_off),
        ("Card-over capture", settings.card_over),
    )
    for kind, names in kinds:
        checked = [n for n in names if kept.verdicts([n]) is not None]
        for group in (checked, [name for name in names if name not in checked]):
            if group:
                heading = f"{kind}{'s' if len(group) > 1 else ''} {', '.join(group)}"
                found = kept.verdicts(group) if group is checked else None
                parts.append(LightPart(name=heading, verdicts=found))
    return tuple(parts)


def _terms(said: Iterable[str]) -> tuple[Fact, ...]:
    """Return the terms of the trade that were used, in plain words."""
    whole = "\n".join(said)
    return tuple((term, meaning) for term, meaning in _TERMS if term in whole)


def _left_out(names: Sequence[str]) -> tuple[str, ...]:
    return (f"Left out: {', '.join(names)}.",) if names else ()
