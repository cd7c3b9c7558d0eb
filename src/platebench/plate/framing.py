"""How a plate is cut out of its capture: whole or cropped, which way up, at what scale."""

from __future__ import annotations

from dataclasses import dataclass

from platebench.core.formats import format_named
from platebench.core.settings import PlateSettings
from platebench.plate.finding.find_plate import FoundPlate
from platebench.plate.job import PlateJob
from platebench.plate.look import PlateView
from platebench.plate.plate_format import FormatFit, plate_format
from platebench.plate.plate_scale import PlateScale, doubt_of_scale, scale_of
from platebench.plate.straighten import Straightening, frame_corners, plan_straighten


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Framing:
    """How a plate is cut out of its capture.

    Attributes
    ----------
    plan : Straightening
        Where each pixel of the result comes from.
    whole : bool
        True where the capture is kept uncropped.
    fit : FormatFit or None
        How the sides fit the format; None where the corners are in doubt.
    scale : PlateScale or None
        None where the corners are in doubt, or nothing tells it.
    size_doubt : str
        What contradicts the scale, in words; empty where nothing does.
    format_name : str
        Name of the format as it was set, empty where it is not known.
    """

    plan: Straightening
    whole: bool
    fit: FormatFit | None
    scale: PlateScale | None
    size_doubt: str = ""
    format_name: str = ""

    @property
    def ppi(self) -> float | None:
        """Pixels per inch of the result, where the scale is known."""
        return None if self.scale is None else self.scale.ppi


def keeps_whole(found: FoundPlate, settings: PlateSettings) -> bool:
    """Tell whether the capture is kept uncropped: by choice, or because the crop is in doubt."""
    return not settings.crop or not found.found or bool(found.doubts)


def frame_plate(view: PlateView, job: PlateJob) -> Framing:
    """Decide how the plate is cut out, turned and scaled."""
    return frame_found(view.picture.shape, view.found, job.settings)


def frame_found(shape: tuple[int, int], found: FoundPlate, settings: PlateSettings) -> Framing:
    """Decide how a plate found in a capture of ``shape`` is cut out, turned and scaled."""
    whole = keeps_whole(found, settings)
    plan = plan_straighten(
        shape,
        frame_corners(shape) if whole else found.corners,
        how="none" if whole else settings.straighten,
        mirror=settings.emulsion == "camera",
        rotate=settings.rotate,
    )
    known = format_named(settings.format)
    trusted = found.found and not found.doubts
    fit = plate_format(found.corners, settings.format) if trusted else None
    scale = scale_of(found.corners, settings, shape) if trusted else None
    return Framing(
        plan=plan,
        whole=whole,
        fit=fit,
        scale=scale,
        size_doubt=doubt_of_scale(scale, settings, shape) if trusted else "",
        format_name=known.name if known else "",
    )
