"""Check one capture: everything worth knowing before the light box is packed away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from platebench.core.formats import PlateFormat
from platebench.core.image import CaptureKind, SensorFrame
from platebench.measure.checks.capture_figures import CaptureCheck, CaptureFigures, Depth, Role
from platebench.measure.checks.dust import Specks, find_specks, judge_moved_dust, moved_dust
from platebench.measure.checks.edge_focus import EdgeFocus, measure_edges
from platebench.measure.checks.exposure_check import (
    Clipping,
    Headroom,
    judge_exposure,
    measure_clipping,
    measure_headroom,
)
from platebench.measure.checks.focus_verdict import judge_focus
from platebench.measure.checks.glare_check import glare_figures, judge_glare
from platebench.measure.checks.grain_focus import GrainFocus, measure_grain
from platebench.measure.checks.light_check import (
    blank_levels,
    judge_blank,
    judge_match,
    judge_settings,
    judge_uniformity,
    measure_match,
    measure_uniformity,
    relative_cells,
)
from platebench.measure.checks.noise import deepest_density, noise_from_frames, noise_from_plate
from platebench.measure.checks.reach import SetUp, judge_reach, reach_of
from platebench.measure.checks.sites import colour_names, region_map
from platebench.measure.checks.tilt import Tilt, judge_tilt, tilt_from_corners
from platebench.measure.checks.verdict import Severity, Verdict, worst
from platebench.plate.glare import Glare
from platebench.plate.light import (
    Dark,
    Light,
    LightSource,
    dark_from_frames,
    exposure_ratio,
    light_from_blanks,
    linear_means,
    zero_level,
)
from platebench.plate.noise_model import NoiseModel

_POSITIVE = Verdict(
    Severity.NOTE, "scan", "shows a positive: its tones are kept, its densities are not known"
)
_SHALLOW = 1.5  # D at SNR 10: plates commonly reach D 2, and more


class Found(Protocol):
    """What the check needs of a found plate."""

    @property
    def corners(self) -> NDArray[np.float64]: ...  # noqa: D102
    @property
    def surround(self) -> str: ...  # noqa: D102
    @property
    def found(self) -> bool: ...  # noqa: D102
    @property
    def doubts(self) -> tuple[str, ...]: ...  # noqa: D102


def check_capture(
    frame: SensorFrame,
    *,
    role: Role = "plate",
    light: Light | None = None,
    dark: Dark | None = None,
    blanks: Sequence[SensorFrame] = (),
    darks: Sequence[SensorFrame] = (),
    found: Found | None = None,
    noise: NoiseModel | None = None,
    format: PlateFormat | None = None,
    glare: Glare | None = None,
    glare_off: bool = False,
    bound: float | None = None,
    specks: Specks | None = None,
) -> CaptureCheck:
    """Check one capture.

    Parameters
    ----------
    frame : SensorFrame
        The capture.
    role : {"plate", "blank", "dark"}
        What it is for.
    light : Light, optional
        The bare light box, prepared once for the session. Made of ``blanks`` where missing.
    dark : Dark, optional
        Level without light. Made of ``darks`` where missing.
    blanks, darks : sequence of SensorFrame
        Two of each tell the noise best. For ``role="blank"`` the other blanks of the session.
    found : FoundPlate, optional
        Where the plate lies; without it the whole frame is taken for plate.
    noise : NoiseModel, optional
        Measured once for the session; else measured on ``blanks`` and ``darks``, else bounded
        from the plate itself.
    format : PlateFormat, optional
        Decides which published figures the evenness of the light is measured against.
    glare : Glare, optional
        As conversion measures it; None where nothing dark shows it.
    glare_off : bool
        Whether conversion takes it off.
    bound : float, optional
        The most it can be, where nothing dark shows it.
    specks : Specks, optional
        Of the blank frame, to see which have moved. Found in the first of ``blanks`` where missing.

    Raises
    ------
    CalibrationError
        If light is made of ``blanks`` that cannot be used.
    """
    dark = dark_from_frames(darks) if dark is None and darks else dark
    if role == "dark":
        figures, verdicts = _check_dark(frame)
    elif role == "blank":
        figures, verdicts = _check_blank(frame, blanks, darks, dark, format)
    else:
        light = light_from_blanks(blanks, dark) if light is None and blanks else light
        specks = find_specks(blanks[0]) if specks is None and blanks else specks
        if noise is None:
            noise = noise_from_frames(blanks, darks) if blanks else noise_from_plate(frame)
        figures, verdicts = _check_plate(frame, light, dark, found, noise, format, specks)
        known = None if glare is None else glare_figures(glare)
        figures = replace(figures, glare=known, glare_bound=bound)
        if not frame.info.shows_positive:  # of its densities nothing is known
            masked = found is not None and found.found and found.surround in ("dark", "holder")
            verdict = judge_glare(
                known,
                bound,
                masked=masked,
                off=glare_off,
                scan=frame.info.kind is CaptureKind.SCAN,
                room_known=light is not None and _room_known(light),
            )
            verdicts.append(verdict)
    return CaptureCheck(
        name=frame.info.path.name, role=role, figures=figures, verdicts=tuple(verdicts)
    )


def with_reach(check: CaptureCheck, set_up: SetUp) -> CaptureCheck:
    """Return a plate's check with how deep its densities are known, where the noise is."""
    noise, depth = check.figures.noise, check.figures.depth
    if noise is None or depth is None:
        return check
    reach = reach_of(set_up, noise, noise.light_at_snr(1.0, 1) * 10**depth.snr1)
    return replace(
        check,
        figures=replace(check.figures, reach=reach),
        verdicts=(*check.verdicts, judge_reach(reach)),
    )


def _room_known(light: Light) -> bool:
    return light.glare is not None and light.glare.box_off > 0


def _check_dark(frame: SensorFrame) -> tuple[CaptureFigures, list[Verdict]]:
    means = linear_means(frame) - zero_level(frame, None)[:, None, None]
    level = float(np.median(means)) / frame.full_scale
    clipping = measure_clipping(frame, region_map(frame.shape, None))
    text = f"the dark frame lies {100 * level:+z.3f} % of full scale from the stated black level"
    top = float(means.max()) / frame.full_scale
    if top - min(level, 0.0) > 0.005:
        text = f"the dark frame holds light: up to {100 * top:.1f} % of full scale"
        verdict = Verdict(
            Severity.WARN, "dark frame", text, "cap the lens, cover the finder, take it again"
        )
    else:
        verdict = Verdict(Severity.GOOD, "dark frame", text)
    return CaptureFigures(clipping=clipping, dark_level=level), [verdict]


def _check_blank(
    frame: SensorFrame,
    blanks: Sequence[SensorFrame],
    darks: Sequence[SensorFrame],
    dark: Dark | None,
    format: PlateFormat | None,
) -> tuple[CaptureFigures, list[Verdict]]:
    regions = region_map(frame.shape, None)
    clipping = measure_clipping(frame, regions)
    headroom = measure_headroom(frame, regions, bare_outside=False)
    headroom = Headroom("bare light box", headroom.stops)
    verdicts = judge_blank(frame, clipping.worst_inside, dark)
    if worst(verdicts) is Severity.FAIL:
        return CaptureFigures(clipping=clipping, headroom=headroom), verdicts
    verdicts += judge_exposure(frame, Clipping({}, {}), headroom)
    even = measure_uniformity(frame, dark)
    verdicts.append(judge_uniformity(even, format))
    others = [blank for blank in blanks if blank is not frame]
    verdicts += _judge_earlier(frame, others, dark)
    noise = noise_from_frames([frame, *others], darks)
    bare = {
        name: frame.full_scale / 2 ** headroom.stops[name] for name in colour_names(frame).values()
    }
    depth = _depth(noise, bare)
    verdicts.append(_judge_depth(depth, noise, scan=frame.info.kind is CaptureKind.SCAN))
    figures = CaptureFigures(
        clipping=clipping, headroom=headroom, uniformity=even, noise=noise, depth=depth
    )
    return figures, verdicts


def _judge_earlier(
    frame: SensorFrame, others: Sequence[SensorFrame], dark: Dark | None
) -> list[Verdict]:
    """Compare a blank frame with an earlier one over the whole box: drift, moved dust."""
    earlier = [other for other in others if _when(other) < _when(frame)]
    if not earlier or earlier[0].counts.shape != frame.counts.shape:
        return []
    first = earlier[0]
    now, then = (linear_means(one) - zero_level(one, dark)[:, None, None] for one in (frame, first))
    ratio = (now / np.maximum(then, 1e-3)).mean(axis=0, dtype=np.float64)
    match = measure_match(ratio * exposure_ratio(first.info, frame.info), None, frame.shape)
    dust = moved_dust(find_specks(frame), find_specks(first))
    verdicts = [judge_match(match, against=first.info.path.name)] if match is not None else []
    return verdicts + ([judge_moved_dust(dust, blanks=True)] if dust is not None else [])


def _when(frame: SensorFrame) -> tuple[datetime, str]:
    return frame.info.taken or datetime.min, frame.info.path.name


def _check_plate(
    frame: SensorFrame,
    light: Light | None,
    dark: Dark | None,
    found: Found | None,
    noise: NoiseModel | None,
    format: PlateFormat | None,
    specks: Specks | None,
) -> tuple[CaptureFigures, list[Verdict]]:
    corners = np.asarray(found.corners, np.float64) if found is not None and found.found else None
    surround = found.surround if found is not None and found.found else "none"
    regions = region_map(frame.shape, corners)
    measured = light is not None and light.source is LightSource.BLANK
    clipping = measure_clipping(frame, regions)
    headroom = measure_headroom(
        frame,
        regions,
        bare_outside=surround in ("bright", "holder"),
        blank_levels=blank_levels(light, frame, 99) if light is not None and measured else None,
    )
    verdicts = judge_exposure(frame, clipping, headroom)
    names = colour_names(frame)
    bare = {colour: frame.full_scale / 2 ** headroom.stops[name] for colour, name in names.items()}
    if light is not None and light.source is not LightSource.ESTIMATED:
        bare = blank_levels(light, frame, 50)
    relative = relative_cells(frame, light, dark) if light is not None else None
    surround_clips = max(clipping.outside.values(), default=0.0) > 0.01
    match = None
    if measured and corners is not None and relative is not None and not surround_clips:
        match = measure_match(relative, corners, frame.shape, surround)
        verdicts.append(judge_match(match, masked=surround == "dark"))
    dust = None
    if specks is not None and corners is not None and surround in ("bright", "holder"):
        dust = moved_dust(find_specks(frame, corners), specks)
        verdicts += [judge_moved_dust(dust)] if dust is not None else []
    verdicts += _judge_light(frame, light if measured else None, format)
    scan = frame.info.kind is CaptureKind.SCAN
    depth = None
    if frame.info.shows_positive:  # of its densities nothing is known
        verdicts.append(_POSITIVE)
    else:
        depth = _depth(noise, {names[colour]: level for colour, level in bare.items()})
        verdicts.append(_judge_depth(depth, noise, scan=scan))
    grain = measure_grain(frame, corners, noise, bare) if noise is not None else None
    sure = corners is not None and found is not None and not found.doubts
    edges = measure_edges(frame, corners) if sure and corners is not None else ()
    tilt = tilt_from_corners(corners, frame.shape) if sure and corners is not None else None
    verdicts += _judge_geometry(grain, edges, tilt, scan=scan)
    figures = CaptureFigures(
        clipping=clipping, headroom=headroom, uniformity=light.before if light else None,
        match=match, dust=dust, noise=noise, depth=depth, grain=grain, edges=edges, tilt=tilt,
    )  # fmt: skip
    return figures, verdicts


def _judge_light(
    frame: SensorFrame, blank: Light | None, format: PlateFormat | None
) -> list[Verdict]:
    if blank is not None:
        verdicts = judge_settings(frame.info, blank.info)
        if blank.before is not None:
            verdicts.append(judge_uniformity(blank.before, format))
        return verdicts
    return [_no_blank()] if frame.info.kind is CaptureKind.RAW else []


def _judge_geometry(
    grain: GrainFocus | None, edges: tuple[EdgeFocus, ...], tilt: Tilt | None, *, scan: bool
) -> list[Verdict]:
    verdicts = judge_focus(grain, edges)
    if scan:  # it has been through sharpening, smoothing, compression: its grain is no witness
        verdicts = [
            _at_most(Severity.NOTE, replace(verdict, remedy="look at the scan at full size"))
            for verdict in verdicts
        ]
    return verdicts + (judge_tilt(tilt, camera=not scan) if tilt is not None else [])


def _at_most(severity: Severity, verdict: Verdict) -> Verdict:
    graver = worst([verdict, replace(verdict, severity=severity)]) is not severity
    return replace(verdict, severity=severity) if graver else verdict


def _no_blank() -> Verdict:
    return Verdict(
        Severity.WARN,
        "blank match",
        "no blank frame: the light is estimated from what shows around the plate, if any",
        "capture the bare light box with the same ISO and aperture",
    )


def _depth(noise: NoiseModel | None, bare: dict[str, float]) -> Depth | None:
    if noise is None:
        return None
    colour = "green" if "green" in bare else next(iter(bare))
    level = max(bare[colour], 1e-6)
    return Depth(
        colour=colour,
        snr1=deepest_density(noise, level, snr=1),
        snr10=deepest_density(noise, level, snr=10),
    )


def _judge_depth(depth: Depth | None, noise: NoiseModel | None, *, scan: bool = False) -> Verdict:
    topic = "noise floor"
    if depth is None or noise is None:
        text = "the noise cannot be measured: the picture is clipped, black, or smoothed"
        remedy = "measure on camera raws, exposed just below clipping"
        return Verdict(Severity.NOTE, topic, text, remedy)
    if scan:
        text = (
            f"by noise alone a single pixel reaches D {depth.snr10:.2f} at SNR 10 (measured on "
            f"{noise.source}); only a guide in a scan, which is processed"
        )
        return Verdict(Severity.NOTE, topic, text)
    text = (
        f"by noise alone{' (roughly)' if noise.upper_bound else ''}, a single "
        f"{depth.colour} photosite reaches D {depth.snr10:.2f} at SNR 10 and D {depth.snr1:.2f} at "
        f"SNR 1, where the mean of 10 x 10 still has SNR 10 (measured on {noise.source})"
    )
    if not noise.read_known:
        text += "; the read noise is not known, so this is too hopeful"
        remedy = "capture two dark frames with the lens cap on"
        return Verdict(Severity.NOTE, topic, text, remedy)
    if depth.snr10 < _SHALLOW and not noise.upper_bound:
        remedy = "lengthen the exposure, set the camera's lowest ISO, or merge a bracket"
        return Verdict(Severity.WARN, topic, text, remedy)
    return Verdict(Severity.GOOD, topic, text)
