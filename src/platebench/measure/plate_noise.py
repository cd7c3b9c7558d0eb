"""The noise of a plate's photosites, and where a scan of it clips, from its own captures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from platebench.core.image import CaptureKind, PlateImage
from platebench.measure.checks.noise import noise_from_plate
from platebench.measure.site_noise import SiteNoise, noise_of_sites
from platebench.plate.job import PlateJob
from platebench.plate.look import PlateView
from platebench.read.capture import read_capture


def sites_to_read(view: PlateView, job: PlateJob) -> tuple[PlateImage, SiteNoise]:
    """Return a plate's photosites, and how noisy single ones are.

    A scan's white is a tone like any other where a plate is looked for and printed; where it is
    read, it is light of which no more is known than that it was enough.

    A bracket's noise was measured when it was merged; a single capture is read once more, and the
    noise taken from its quietest parts.

    Raises
    ------
    CaptureError
        If the capture cannot be read any more.
    """
    plan = view.plan
    place = 0 if plan is None else plan.order[plan.reference]
    frame = read_capture(job.captures[place], job.scan)
    noise = noise_of_sites(
        view.image,
        frame,
        view.light,
        noise_from_plate(frame) if plan is None else plan.noise,
        ratios=(1.0,) if plan is None else plan.ratios,
        glare=view.glare.share / view.level if view.glare is not None and view.glare_off else 0.0,
        level=view.level,
    )
    if frame.info.kind is not CaptureKind.SCAN:
        return view.image, noise
    top = frame.counts.max(axis=2) if frame.counts.ndim == 3 else frame.counts
    return replace(view.image, valid=np.asarray(top < frame.white, bool)), noise


def notes_on_scan(view: PlateView, noise: SiteNoise) -> tuple[str, ...]:
    """Return what a person should know of every reading of a scan; nothing of a raw."""
    gamma = view.info.assumed_gamma
    assumed = f"no colour profile in the scan: gamma {gamma or 0:g} assumed ([scan] gamma)"
    notes = (None if gamma is None else assumed, view.light_note, noise.upper_bound)
    return tuple(note for note in notes if note is not None)
