"""The noise of a plate's photosites, from its own captures."""

from __future__ import annotations

from platebench.look import PlateView
from platebench.plate_job import PlateJob
from platebench.quality.noise import noise_from_plate
from platebench.stages.read_capture import read_capture
from platebench.stages.site_noise import SiteNoise, noise_of_sites


def noise_of_plate(view: PlateView, job: PlateJob) -> SiteNoise:
    """Return how noisy single photosites of a plate are.

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
    return noise_of_sites(
        view.image,
        frame,
        view.light,
        noise_from_plate(frame) if plan is None else plan.noise,
        ratios=(1.0,) if plan is None else plan.ratios,
        glare=view.glare.share if view.glare is not None and view.glare_off else 0.0,
        level=view.level,
    )
