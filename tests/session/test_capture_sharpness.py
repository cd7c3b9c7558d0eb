"""What a capture resolves, against the blur it was simulated with."""

from dataclasses import replace
from pathlib import Path

import pytest

from platebench.core.settings import ScanSettings
from platebench.plate.record import PlateRecord
from platebench.session.capture_sharpness import resolved_share

from ..checks.captures import PLATE, camera, capture_with_blur
from ..session_files import put


def record_of(corners, /, **changes):
    record = PlateRecord(found=True, used="a.dng", corners=tuple(map(tuple, corners.tolist())))
    return replace(record, **changes)


@pytest.mark.parametrize("blur", [1.0, 1.5, 2.2])
def test_sampling_efficiency_is_that_of_the_blur(tmp_path: Path, blur: float):
    """Gaussian blur: SFR = 0.1 at 0.34154 / sigma cycles a pixel (derived from its transform).

    The simulated photosite is a square a pixel wide, |sin(pi f) / (pi f)|, which takes a little.
    """
    frame, corners = capture_with_blur(PLATE, camera(blur_px=blur))
    put(tmp_path / "a.dng", frame)
    found = resolved_share(tmp_path, record_of(corners), ScanSettings())
    assert found is not None
    share, sigma = found
    assert sigma is not None and 0 < sigma < 0.1 * share
    limit = min(1.0, 0.34154 / blur / 0.5)
    assert 0.8 * limit < share < 1.05 * limit


def test_nothing_is_said_of_what_cannot_be_measured(tmp_path: Path):
    frame, corners = capture_with_blur(PLATE, camera())
    put(tmp_path / "a.dng", frame)
    for changes in (
        {"doubtful": True},
        {"found": False},
        {"used": "b.dng"},
        {"corners": ((1, 2),)},
    ):
        assert resolved_share(tmp_path, record_of(corners, **changes), ScanSettings()) is None
