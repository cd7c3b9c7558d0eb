"""Masters for other readers: in gray gamma 2.2, and each colour in a file of its own."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from platebench.archive.pack_session import PackOptions, pack_session
from platebench.archive.reproduce import reproduce_package
from platebench.archive.verify import verify_package
from platebench.core.errors import ExitCode, WriteError
from platebench.session.convert_session import convert_session
from platebench.session.master_session import write_masters

from ..archive.conftest import NOW
from ..session_files import tree, write_session


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("made") / "s", names=("tall",))
    convert_session(folder, workers=1)
    return folder


def profile_of(path: Path) -> ImageCms.ImageCmsProfile:
    with tifffile.TiffFile(path) as tif:
        return ImageCms.ImageCmsProfile(io.BytesIO(tif.pages[0].tags[34675].value))


def test_gamma_is_the_power_law_of_transmittance(session: Path, tmp_path: Path) -> None:
    (made,) = write_masters(session, output=tmp_path / "m", also=("gamma", "channels"), workers=1)
    assert made.error is None
    assert sorted(tree(tmp_path / "m")) == [
        "gamma/tall.tif",
        *(f"tall.{e}" for e in ("jpg", "json", "tif")),
    ]
    codes = tifffile.imread(tmp_path / "m/tall.tif").astype(float)
    gamma = tifffile.imread(tmp_path / "m/gamma/tall.tif")
    # D = -log10 T and T = v^2.2, by definition of both; a step of either is the tolerance.
    lit = (codes > 600) & (codes < 60_000)
    density = -np.log10(codes[lit] / 60_000)
    step = 2.2 * np.log10(np.e) / gamma[lit]
    assert (np.abs(-2.2 * np.log10(gamma[lit] / 65_535) - density) <= step).all()
    assert (gamma[codes >= 60_000] == 65_535).all() and lit.mean() > 0.5
    name = ImageCms.getProfileDescription(profile_of(tmp_path / "m/gamma/tall.tif"))
    assert "2.2" in name


def test_every_reader_at_hand_shows_16_bits_of_a_channel(session: Path, tmp_path: Path) -> None:
    """Pillow reads three channels of 16 bits as 8, or not at all; one channel it reads whole."""
    write_masters(session, output=tmp_path / "m", colour=True, also=("channels",), workers=1)
    codes = tifffile.imread(tmp_path / "m/tall.tif")
    for n, colour in enumerate(("red", "green", "blue")):
        path = tmp_path / f"m/channels/tall-{colour}.tif"
        with Image.open(path) as picture:
            assert np.array_equal(np.asarray(picture), codes[..., n])
        assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), codes[..., n])


def test_one_that_somebody_has_changed_stays(session: Path, tmp_path: Path) -> None:
    output = tmp_path / "m"
    write_masters(session, output=output, also=("gamma",), workers=1)
    before = tree(output)
    (again,) = write_masters(session, output=output, also=("gamma",), workers=1)
    assert again.skipped and tree(output) == before
    (output / "gamma/tall.tif").write_bytes(b"mine")
    (refused,) = write_masters(session, output=output, also=("gamma",), workers=1)
    assert isinstance(refused.error, WriteError)
    (forced,) = write_masters(session, output=output, also=("gamma",), force=True, workers=1)
    assert forced.error is None and tree(output) == before
    (output / "gamma/tall.tif").unlink()
    (made,) = write_masters(session, output=output, also=("gamma",), workers=1)
    assert made.error is None and not made.skipped and tree(output) == before


@pytest.mark.parametrize("made_before", [False, True])
def test_packages_hold_them_and_they_are_made_again(
    session: Path, tmp_path: Path, made_before: bool
) -> None:
    if made_before:
        write_masters(session, colour=True, also=("gamma", "channels"), workers=1)
    options = PackOptions(captures=True, colour=True, also=("gamma", "channels"))
    (packed,) = pack_session(session, now=NOW, to=tmp_path / "to", options=options, workers=1)
    names = {name for name in tree(packed.package / "data/masters") if name.endswith("tif")}
    colours = {f"channels/tall-{colour}.tif" for colour in ("red", "green", "blue")}
    assert names == {"tall.tif", "gamma/tall.tif", *colours}
    assert verify_package(packed.package).valid
    made = reproduce_package(packed.package)
    assert made.exit_code is ExitCode.OK and {one.name for one in made.remade} >= {
        f"masters/{name}" for name in names
    }
