"""Every message of docs/errors.md, produced by doing what it is about."""

from __future__ import annotations

import errno
import os
import re
import shutil
import socket
import struct
import zlib
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image

from platebench.cli import main
from platebench.core.errors import ExitCode, PlateError, WorkerLostError
from platebench.core.image import SensorFrame
from platebench.core.start_entry import start_text
from platebench.review.front import Front
from platebench.review.table import ReviewTable
from platebench.synthetic import (
    CameraModel,
    PlateModel,
    photograph,
    simulate_blank,
    simulate_dark,
    simulate_plate,
    true_transmittance,
)
from platebench.synthetic.tiles import TileSet, TileStand, simulate_tiles

from ..session_files import BOX, CAMERA, EXPOSURE_S, PLATES, put, tree, write_session

DOCS = Path(__file__).parents[2] / "docs"
DOCUMENTED = re.findall(
    r"^\| `(.+?)` \|", (DOCS / "errors.md").read_text(encoding="utf-8"), re.MULTILINE
)

Scenario = Callable[[Path, pytest.MonkeyPatch], str]
SCENARIOS: dict[str, Scenario] = {}


def produces(start: str) -> Callable[[Scenario], Scenario]:
    """Register what produces the one documented message that begins so."""

    def register(scenario: Scenario) -> Scenario:
        whole = [message for message in DOCUMENTED if message == start]
        found = whole or [message for message in DOCUMENTED if message.startswith(start)]
        assert len(found) == 1, f"{start!r} begins {len(found)} documented messages"
        assert found[0] not in SCENARIOS
        SCENARIOS[found[0]] = scenario
        return scenario

    return register


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_session(tmp_path_factory.mktemp("original") / "shelf", names=("tall",))


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf"))


@pytest.mark.parametrize("message", DOCUMENTED)
def test_is_really_produced(message: str, session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said = SCENARIOS[message](session, monkeypatch)
    pattern = ".+?".join(re.escape(part) for part in message.split("…"))
    lines = [line.removeprefix("Error: ") for line in said.splitlines()]
    assert any(re.fullmatch(f"(tall: )?{pattern}", line) for line in lines), said
    assert "Traceback" not in said


def test_every_scenario_is_documented() -> None:
    assert len(DOCUMENTED) == len(set(DOCUMENTED)) == len(SCENARIOS) > 50


def run(*args: str | Path) -> str:
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    assert result.exit_code not in (0, 1, 2), result.output
    return result.stderr


def convert(session: Path, *args: str | Path) -> str:
    return run("convert", session, "--jobs", "1", *args)


def edit(session: Path, before: str, after: str) -> None:
    path = session / "session.toml"
    assert before in path.read_text(encoding="utf-8")
    path.write_text(path.read_text(encoding="utf-8").replace(before, after, 1), encoding="utf-8")


def with_settings(text: str) -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        (session / "session.toml").write_text(text, encoding="utf-8")
        return convert(session)

    return scenario


def with_capture(content: bytes) -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        (session / "tall.dng").write_bytes(content)
        return convert(session)

    return scenario


def refusing(number: int) -> Scenario:
    """Let the system refuse to make temporary files, as it does on such a disk."""

    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        def refuse(*args: object, **kwargs: object) -> None:
            raise OSError(number, os.strerror(number))

        monkeypatch.setattr("tempfile.mkdtemp", refuse)
        return convert(session)

    return scenario


PLATE = '[[plate]]\nid = "p"\ncaptures = ["a.dng"]\n'
PICTURE = "[[plate.pictures]]\n"

# --- The page


def asked_by_a_page(session: Path, plate_id: str, key: str) -> str:
    table = ReviewTable(session)
    with pytest.raises(PlateError) as caught:
        table.edit(table.plate(plate_id).id, {key: 1})
    return str(caught.value)


@produces('… has another … for plate "…" by now')
def _(folder: Path, patch: pytest.MonkeyPatch) -> str:
    table, file = ReviewTable(folder), folder / "session.toml"
    table.edit("tall", {"rotate": 90})
    file.write_text(
        file.read_text(encoding="utf-8").replace("rotate = 90", "rotate = 180"), encoding="utf-8"
    )
    with pytest.raises(PlateError) as raised:
        table.undo()
    return str(raised.value)


@produces("… is being written by something else")
def _(folder: Path, patch: pytest.MonkeyPatch) -> str:
    file, read = folder / "session.toml", Path.read_bytes

    def read_and_write(path: Path) -> bytes:
        content = read(path)
        if path == file:
            file.write_bytes(content + b"# more\n")
        return content

    patch.setattr(Path, "read_bytes", read_and_write)
    with pytest.raises(PlateError) as raised:
        ReviewTable(folder).edit("tall", {"rotate": 90})
    return str(raised.value)


@produces("… is not a folder; choose another")
def _(folder: Path, patch: pytest.MonkeyPatch) -> str:
    with pytest.raises(PlateError) as raised:
        Front(None).open(str(folder / "gone"))
    return str(raised.value)


@produces("… cannot be read; choose another")
def _(folder: Path, patch: pytest.MonkeyPatch) -> str:
    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "no")

    patch.setattr("platebench.review.front.os.scandir", refuse)
    patch.setattr("platebench.review.front.list_captures", lambda _folder: ([], []))
    with pytest.raises(PlateError) as raised:
        Front(None).folder(str(folder))
    return str(raised.value)


@produces("… was not written: no such file can hold that name of a program")
def _(folder: Path, patch: pytest.MonkeyPatch) -> str:
    with pytest.raises(PlateError) as raised:
        start_text(Path("/a\nb/python"), "linux")
    return str(raised.value)


@produces('… lists no plate "…"; name another')
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return asked_by_a_page(session, "gone", "rotate")


@produces("… cannot be changed here (…);")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return asked_by_a_page(session, "tall", "captures")


@produces("port … is taken or not allowed;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        return run("review", session, "--no-browser", "--port", port)


# --- Cluster


@produces("… is neither the address of a scheduler")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("check", session, "--cluster", session / "scheduler.json")


@produces("… is not protected by TLS;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("check", session, "--cluster", "tcp://192.0.2.7:8786")


# --- Pictures to share


@produces("… has no positives;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("share", session)


@produces("… has no positive of …;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("share", session, "tall")


# --- Session folder


@produces("… does not exist;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return convert(session / "none")


@produces("… is a file, not a folder;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return convert(session / "tall.dng")


@produces("… cannot be read (…); check its permissions")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    def closed(self: Path) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", closed)
    (session / "session.toml").unlink()
    return run("start", session)


@produces("… lists no plates, blank or dark frames;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "session.toml").write_text("", encoding="utf-8")
    return run("check", session)


@produces("… cannot be used (…);")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("check", session / ("x" * 300))


@produces("… holds no captures;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "empty").mkdir()
    return run("start", session / "empty")


SCENARIOS[next(m for m in DOCUMENTED if "lists no plates" in m)] = with_settings("title = 'x'")

# --- Captures


@produces("… is not there;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "tall.dng").unlink()
    return convert(session)


@produces("… is a folder;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "tall.dng").unlink()
    (session / "tall.dng").mkdir()
    return convert(session)


@produces("… may not be read;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    real = Path.open

    def closed(self: Path, *args: object, **kwargs: object) -> object:
        if self.name == "tall.dng":
            raise PermissionError(errno.EACCES, "Permission denied")
        return real(self, *args, **kwargs)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", closed)
    return convert(session)


produces("… is empty;")(with_capture(b""))
produces("… starts with nothing but zeros;")(with_capture(bytes(20_000)))
produces("… is a text file")(with_capture(b"notes on plate twelve\n" * 9))
produces("… is a WebP file")(with_capture(b"RIFF\x20\0\0\0WEBPVP8 " + bytes(40)))
produces("… is a phone picture")(with_capture(b"\0\0\0\x18ftypheic" + bytes(40)))


@produces("… is cut off: … of its … bytes")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    whole = (session / "tall.dng").read_bytes()
    (session / "tall.dng").write_bytes(whole[: len(whole) // 2])
    return convert(session)


def scan(image: Image.Image, suffix: str, *, keep: float = 1.0) -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        path = session / f"scan{suffix}"
        image.save(path)
        whole = path.read_bytes()
        path.write_bytes(whole[: int(len(whole) * keep)])
        edit(session, '"tall.dng"', f'"{path.name}"')
        return convert(session)

    return scenario


def damaged_scan(damage: Callable[[bytearray], None]) -> Scenario:
    """Damage an uncompressed TIFF."""

    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        y, x = np.mgrid[:300, :700]
        noise = np.random.default_rng(5).normal(0, 2, y.shape)
        path = session / "scan.tif"
        tifffile.imwrite(path, (60 + y / 2 + x / 50 + noise).astype(np.uint8), metadata=None)
        data = bytearray(path.read_bytes())
        damage(data)
        path.write_bytes(data)
        edit(session, '"tall.dng"', '"scan.tif"')
        return convert(session)

    return scenario


def _empty(data: bytearray) -> None:
    data[100_000:120_000] = bytes(20_000)


def _repeat(data: bytearray) -> None:
    data[102_400:110_592] = data[51_200:59_392]


def _swap(data: bytearray) -> None:
    data[51_200:71_680], data[153_600:174_080] = data[153_600:174_080], data[51_200:71_680]


produces("… is damaged: a part of its picture was")(damaged_scan(_empty))
produces("… is damaged: blocks of its data are repeated")(damaged_scan(_repeat))
produces("… is damaged: blocks of its data are in")(damaged_scan(_swap))

NOISE = Image.fromarray(np.random.default_rng(5).integers(0, 255, (90, 130), np.uint8))
produces("… is cut off: the JPEG's")(scan(NOISE, ".jpg", keep=0.7))
produces("… is cut off: a PNG")(scan(NOISE, ".png", keep=0.7))
produces("… has colours from a palette")(scan(NOISE.convert("P"), ".png"))
produces("… has one bit a pixel")(scan(NOISE.convert("1"), ".png"))


@produces("… does not hold whole numbers")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    tifffile.imwrite(session / "scan.tif", np.asarray(NOISE, np.float32))
    edit(session, '"tall.dng"', '"scan.tif"')
    return convert(session)


def tiff(pixels: np.ndarray, **options: object) -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        tifffile.imwrite(session / "scan.tif", pixels, metadata=None, **options)
        edit(session, '"tall.dng"', '"scan.tif"')
        return convert(session)

    return scenario


GREY = np.asarray(NOISE)
COLOURS = np.dstack([GREY, GREY // 2, GREY])
DIM = np.dstack([COLOURS, np.full(GREY.shape, 99, np.uint8)])
produces("… has … values a pixel,")(tiff(COLOURS, photometric="minisblack", planarconfig="contig"))
produces("… is coded as brightness")(tiff(COLOURS, photometric="ycbcr", subsampling=(1, 1)))
produces("… has its tones dimmed")(tiff(DIM, photometric="rgb", extrasamples=["assocalpha"]))


@produces("… is a damaged TIFF: it is packed as a fax")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    path = session / "tall.dng"
    tifffile.imwrite(path, GREY.astype(np.uint16), photometric="minisblack", metadata=None)
    with tifffile.TiffFile(path) as file:
        at = file.pages.first.tags["Compression"].valueoffset
    data = bytearray(path.read_bytes())
    data[at] = 4
    path.write_bytes(data)
    return convert(session)


@produces("… is damaged: it states a black level")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    frame = simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=3)
    put(session / "tall.dng", replace(frame, black=np.full_like(frame.black, frame.white)))
    return convert(session)


@produces("… is damaged (some of its codes")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    path = session / "tall.dng"
    NOISE.save(path, "jpeg")
    data = bytearray(path.read_bytes())
    data[-900:-600] = np.random.default_rng(6).integers(0, 255, 300, np.uint8).tobytes()
    path.write_bytes(data)
    return convert(session)


@produces("… holds values over the … bits")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "session.toml").write_text(
        '[scan]\nbits = 12\n[[plate]]\nid = "tall"\ncaptures = ["scan.tif"]\n', encoding="utf-8"
    )
    tifffile.imwrite(session / "scan.tif", GREY.astype(np.uint16) * 257)
    return convert(session)


@produces("… holds more than 64 pictures")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    tifffile.imwrite(session / "tall.dng", np.stack([GREY] * 65), photometric="minisblack")
    return convert(session)


def unfolding(bits: int, packed: int, *options: str) -> Scenario:
    """Return what a PNG of 40,000 x 40,000 pixels and next to no data gives."""

    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        head = struct.pack(">IIBBBBB", 40_000, 40_000, bits, 0, 0, 0, 0)
        parts = ((b"IHDR", head), (b"IDAT", bytes(packed)), (b"IEND", b""))
        data = b"".join(
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
            for name, body in parts
        )
        (session / "tall.dng").write_bytes(b"\x89PNG\r\n\x1a\n" + data)
        return run("convert", session, "--memory", options[0]) if options else convert(session)

    return scenario


produces("… declares … x … pixels")(unfolding(8, 4_000_000, "60G"))
produces("… needs … of memory,")(unfolding(16, 20_000_000, "1G"))


@produces("… is all black;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    put(session / "tall.dng", simulate_dark(CAMERA, exposure_s=EXPOSURE_S, seed=3))
    return convert(session)


@produces("… has … x … pixels,")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    tifffile.imwrite(session / "tall.dng", np.full((20, 2000), 30_000, np.uint16))
    return convert(session)


@produces("… is clipped all over;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    put(session / "tall.dng", simulate_blank(BOX, CAMERA, exposure_s=9.0, seed=3))
    return convert(session)


@produces("… shows no plate;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    put(session / "tall.dng", simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=3))
    return convert(session)


# --- Blank and dark frames


def with_blank(camera: CameraModel = CAMERA, exposure_s: float = EXPOSURE_S) -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        edit(session, 'dark = ["dark.dng"]', "")
        put(session / "blank.dng", simulate_blank(BOX, camera, exposure_s=exposure_s, seed=3))
        return convert(session)

    return scenario


produces("… is clipped: the bare light")(with_blank(exposure_s=1.0))
produces("… is nearly black:")(with_blank(exposure_s=1e-4))
produces("… does not fit …: it is … pixels and the plate")(
    with_blank(replace(CAMERA, shape=(302, 400)))
)
produces("… does not fit …: its colour-filter")(with_blank(replace(CAMERA, cfa="BGGR")))
produces("… does not fit …: ISO is … in one and … in the other; take blank")(
    with_blank(replace(CAMERA, iso=400.0))
)


@produces("… does not fit …: ISO is … in one and … in the other; take dark")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    other = replace(CAMERA, iso=400.0)
    put(session / "dark.dng", simulate_dark(other, exposure_s=EXPOSURE_S, seed=2))
    return convert(session)


def grey_scan(path: Path, level: int) -> None:
    Image.fromarray(np.full(CAMERA.shape, level, np.uint16)).save(path)


@produces("… does not fit …: it is a camera raw and the plate is a scan;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    grey_scan(session / "tall.tif", 30000)
    edit(session, 'dark = ["dark.dng"]', "")
    edit(session, '"tall.dng"', '"tall.tif"')
    return convert(session)


@produces("… does not fit …: one is a camera raw and the other a scan;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    grey_scan(session / "dark.tif", 10)
    edit(session, '"dark.dng"', '"dark.tif"')
    return convert(session)


# --- Brackets

TALL = PLATES["tall"]


def bracketed(
    *,
    camera: CameraModel = CAMERA,
    times: float = 4.0,
    stated: float | None = 4.0,
    change: Callable[[np.ndarray], np.ndarray] = lambda picture: picture,
    first: Callable[[np.ndarray], np.ndarray] = lambda picture: picture,
) -> Scenario:
    """Add a second exposure to the plate, ``times`` as long, of something changed."""

    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        one = first(true_transmittance(TALL, BOX, CAMERA, seed=12))
        put(session / "tall.dng", photograph(one, BOX, CAMERA, exposure_s=EXPOSURE_S, seed=1))
        other = change(true_transmittance(TALL, BOX, camera, seed=12)).astype(np.float32)
        frame = photograph(other, BOX, camera, exposure_s=times * EXPOSURE_S, seed=2)
        known = None if stated is None else stated * EXPOSURE_S
        put(session / "b.dng", replace(frame, info=replace(frame.info, exposure_s=known)))
        edit(session, '"tall.dng"', '"tall.dng", "b.dng"')
        return convert(session)

    return scenario


def moved(rows: int, columns: int) -> Callable[[np.ndarray], np.ndarray]:
    return lambda picture: np.roll(picture, (rows, columns), axis=(0, 1))


def turned(picture: np.ndarray) -> np.ndarray:
    height, width = picture.shape
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), 0.6, 1)  # 2.6 pixels in the corners
    return cv2.warpAffine(picture, turn, (width, height), borderMode=cv2.BORDER_REPLICATE)


def stained(picture: np.ndarray) -> np.ndarray:
    """Add 15 % of density at the blue sites of the frame, wherever the plate lies."""
    picture = picture.copy()
    picture[1::2, 1::2] **= 1.15
    return picture


NO_JOIN = "…: tiles cannot be joined: "
TILE_STAND = TileStand(shape=CAMERA.shape, rows=2, columns=2, overlap=0.4)
TILED_PLATE = PlateModel(size_mm=(11.0, 15.0), rebate_mm=(0.5, 0.5, 0.5, 0.5), grain_um=1.0)


@cache
def four_tiles() -> TileSet:
    camera = replace(CAMERA, fill=0.84)
    return simulate_tiles(TILED_PLATE, BOX, camera, TILE_STAND, exposure_s=EXPOSURE_S, seed=5)


def tiled(
    which: str = "0123", change: Callable[[SensorFrame], SensorFrame] | None = None, more: str = ""
) -> Scenario:
    """Convert tiles of a plate, the last of them changed."""

    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        names = []
        for place in which:
            frame = four_tiles().frames[int(place)]
            if change is not None and place == which[-1]:
                frame = change(frame)
            put(session / f"tile{place}.dng", frame)
            names.append(f'"tile{place}.dng"')
        edit(session, '"tall.dng"', ", ".join(names))
        edit(session, "captures", 'join = "tiles"\ncaptures')
        if "no-blank" in more:
            edit(session, 'blank = ["blank.dng"]\n', "")
        if "strict" in more:
            monkeypatch.setattr("platebench.plate.joining.join.MISFIT_REFUSED", 0.0)
        if "suspicious" in more:
            monkeypatch.setattr("platebench.plate.joining.join._MISSED", -1.0)
        return convert(session)

    return scenario


def another_picture(frame: SensorFrame) -> SensorFrame:
    return replace(frame, counts=np.ascontiguousarray(frame.counts[::-1, ::-1]))


def brighter(frame: SensorFrame) -> SensorFrame:
    black = int(frame.black.mean())
    light = (frame.counts.astype(np.float64) - black) * 0.55
    return replace(frame, counts=np.clip(light + black, 0, 65535).astype(np.uint16))


produces(NO_JOIN + "shows no part")(tiled(change=another_picture))
produces(NO_JOIN + "leave a gap")(tiled("023"))
produces(NO_JOIN + "lies … pixels off")(tiled(more="strict"))
produces(NO_JOIN + "has … times the light")(tiled(change=brighter))
produces(NO_JOIN + "has no blank")(tiled(more="no-blank"))


@produces(NO_JOIN + "is … pixels and")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    grey = np.random.default_rng(1).integers(9000, 50000, (300, 400)).astype(np.uint16)
    tifffile.imwrite(session / "a.tif", grey)
    tifffile.imwrite(session / "b.tif", np.ascontiguousarray(grey[:280]))
    edit(session, '"tall.dng"', '"a.tif", "b.tif"')
    edit(session, "captures", 'join = "tiles"\ncaptures')
    edit(session, 'blank = ["blank.dng"]\n', "")
    edit(session, 'dark = ["dark.dng"]\n', "")
    return convert(session)


produces(NO_JOIN + "does not show what")(tiled(more="suspicious"))


@produces(NO_JOIN + "shows a positive")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    for name in ("a.tif", "b.tif"):
        grey_scan(session / name, 30000)
    edit(session, '"tall.dng"', '"a.tif", "b.tif"')
    edit(session, "captures", 'join = "tiles"\ncaptures')
    edit(session, 'blank = ["blank.dng"]\n', "")
    edit(session, "[light]", '[scan]\nshows = "positive"\n[light]')
    return convert(session)


@produces(NO_JOIN + "is a single")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    bracket = simulate_tiles(
        TILED_PLATE,
        BOX,
        CAMERA,
        replace(TILE_STAND, rows=1, columns=1),
        exposure_s=EXPOSURE_S,
        seed=6,
        times=(1.0, 0.25),
    )
    for name, frame in zip(("a.dng", "b.dng"), bracket.frames, strict=True):
        put(session / name, frame)
    edit(session, '"tall.dng"', '"a.dng", "b.dng"')
    edit(session, "captures", 'join = "tiles"\ncaptures')
    return convert(session)


NO_BRACKET = "… and … are no bracket: "


@produces(NO_BRACKET + "… is no camera raw;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    grey_scan(session / "b.tif", 30000)
    edit(session, '"tall.dng"', '"tall.dng", "b.tif"')
    return convert(session)


produces(NO_BRACKET + "one is … values")(bracketed(camera=replace(CAMERA, shape=(302, 400))))
produces(NO_BRACKET + "their colour-filter")(bracketed(camera=replace(CAMERA, cfa="BGGR")))
produces(NO_BRACKET + "camera is")(bracketed(camera=replace(CAMERA, model="Another")))
produces(NO_BRACKET + "ISO is")(bracketed(camera=replace(CAMERA, iso=400.0)))
produces(NO_BRACKET + "they show")(bracketed(change=lambda picture: picture[::-1, ::-1]))
produces(NO_BRACKET + "one has")(bracketed(stated=2.0))
produces(NO_BRACKET + "the plate moved by … rows and … columns;")(bracketed(change=moved(3, 0)))
produces(NO_BRACKET + "the plate turned")(bracketed(change=turned))
produces(NO_BRACKET + "the plate moved by … rows and … columns, and")(
    bracketed(first=stained, change=lambda picture: stained(moved(0, 1)(picture)))
)


@produces(NO_BRACKET + "their times are unknown")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    bare = np.full(CAMERA.shape, 0.9, np.float32)
    for name, time in (("tall.dng", EXPOSURE_S), ("b.dng", 120 * EXPOSURE_S)):
        frame = photograph(bare, BOX, CAMERA, exposure_s=time, seed=2)
        put(session / name, replace(frame, info=replace(frame.info, exposure_s=None)))
    edit(session, '"tall.dng"', '"tall.dng", "b.dng"')
    return convert(session)


@produces("… is named as a dark frame but holds light;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    put(session / "dark.dng", simulate_blank(BOX, CAMERA, exposure_s=EXPOSURE_S, seed=3))
    return convert(session)


@produces("… does not fit …: it is … pixels and the other")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    other = replace(CAMERA, shape=(302, 400))
    put(session / "second.dng", simulate_blank(BOX, other, exposure_s=EXPOSURE_S, seed=3))
    edit(session, '["blank.dng"]', '["blank.dng", "second.dng"]')
    return convert(session)


def positive_scan(session: Path) -> None:
    """Let the session's plate be a scan that shows a positive."""
    light = true_transmittance(PLATES["wide"], replace(BOX, surround="dark"), CAMERA, seed=3)
    codes = 1 - np.clip(light, 0, 1) ** (1 / 2.2)
    cv2.imwrite(str(session / "scan.png"), np.rint(255 * codes).astype(np.uint8))
    edit(session, '"tall.dng"', '"scan.png"')
    edit(session, "[light]", '[scan]\nshows = "positive"\n[light]')


@produces("… shows a positive ([scan] shows)")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    positive_scan(session)
    return run("measure", session, "tall", "--grid", "2x2")


@produces("… holds no densities (the scan")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    positive_scan(session)
    CliRunner().invoke(main, ["convert", str(session), "--jobs", "1"])
    return run("which-print", session)


@produces("… holds no densities (thinnest")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    masked = replace(BOX, surround="dark")
    clear = replace(PLATES["wide"], curve=replace(PLATES["wide"].curve, base_fog=0.02))
    frame = simulate_plate(clear, masked, CAMERA, exposure_s=EXPOSURE_S / 2, seed=4).frame
    put(session / "tall.dng", frame)
    dim = replace(masked, brightness=0.74 * masked.brightness)
    put(session / "blank.dng", simulate_blank(dim, CAMERA, exposure_s=EXPOSURE_S, seed=1))
    CliRunner().invoke(main, ["convert", str(session), "--jobs", "1"])
    return run("which-print", session)


@produces("… has no blank frame and shows no bare light box around the plate (its")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    frame = simulate_plate(PLATES["tall"], BOX, CAMERA, exposure_s=EXPOSURE_S, seed=4).frame
    patches = np.kron(np.random.default_rng(2).uniform(0.85, 1, (30, 40)), np.ones((10, 10)))
    light = (frame.counts - float(frame.black.mean())) * 1.0
    light[::2, ::2] *= patches[::2, ::2]  # one colour only
    put(session / "tall.dng", replace(frame, counts=(light + frame.black.mean()).astype(np.uint16)))
    edit(session, 'blank = ["blank.dng"]', "")
    return convert(session)


@produces("… has no blank frame and shows no bare light box around the plate;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    near = replace(CAMERA, fill=1.3)  # the plate is larger than the frame
    frame = simulate_plate(PlateModel(), BOX, near, exposure_s=EXPOSURE_S, seed=3).frame
    put(session / "tall.dng", frame)
    edit(session, 'blank = ["blank.dng"]', "")
    return convert(session)


# --- Results

produces("… was not written: the disk is full;")(refusing(errno.ENOSPC))
produces("… was not written: the disk is read-only;")(refusing(errno.EROFS))
produces("… was not written: no permission")(refusing(errno.EACCES))
produces("… was not written: the disk's format")(refusing(errno.EFBIG))


def held_open(code: int, place: str = "pathlib.Path.replace") -> Scenario:
    """Let a call fail as on Windows, where another program may keep a file for itself."""

    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        assert CliRunner().invoke(main, ["convert", str(session), "--jobs", "1"]).exit_code == 0
        (session / "converted" / "plates" / "tall.json").unlink()  # to be made again

        def refuse(*args: object, **kwargs: object) -> None:
            error = PermissionError(errno.EACCES, "Permission denied", str(session))
            error.winerror = code  # type: ignore[attr-defined]
            raise error

        monkeypatch.setattr(place, refuse)
        return convert(session)

    return scenario


produces("… was not written: another program has it open;")(held_open(32))
produces("… was not written: another program has it open, or")(held_open(5))
produces("… cannot be used (another program has it open);")(
    held_open(33, "platebench.session.convert_session.load_session")
)


@produces("… was not written: there is something of that name already, and packages")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "packages" / session.name).mkdir(parents=True)
    return run("archive", session)


@produces("… was not written: it takes …")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    made = CliRunner().invoke(main, ["convert", str(session), "--jobs", "1"])
    assert made.exit_code == 0
    usage = shutil.disk_usage(session)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    return run("archive", session)


@produces("… was not written: a file is in the way;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "converted").mkdir()
    (session / "converted" / "positives").touch()
    return convert(session)


@produces("… was not written: there is no such folder;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    place = session / "nowhere" / "readings.csv"
    return run("measure", session, "tall", "--grid", "2x2", "--output", place)


@produces("… was not written: the name is too long;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("demo", session / ("x" * 300))


@produces("… was not written: it is a pipe or a device")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    if not hasattr(os, "mkfifo"):
        pytest.skip("no pipes with names here")
    for name in ("positives", "previews"):
        (session / "converted" / name).mkdir(parents=True)
    os.mkfifo(session / "converted" / "previews" / "tall.jpg")
    return convert(session)


@produces("… was not written: the session's own results")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("master", session, "--output", session / "converted" / "positives")


@produces("… was not written: it is a file;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return convert(session, "--output", session / "tall.dng")


@produces("… was not written: it is the folder of captures;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    before = tree(session)
    said = convert(session, "--output", session)
    assert tree(session) == before
    return said


@produces("… was not written: it is one of the captures;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "kept" / "positives").mkdir(parents=True)
    (session / "tall.dng").rename(session / "kept" / "positives" / "tall.tif")
    edit(session, '"tall.dng"', '"kept/positives/tall.tif"')
    return convert(session, "--output", session / "kept")


@produces("… was not written: it has been changed since")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "converted" / "positives").mkdir(parents=True)
    (session / "converted" / "positives" / "tall.tif").write_bytes(b"somebody's own")
    return convert(session)


@produces("… was not written: its name does not end")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("measure", session, "tall", "--grid", "2x2", "--output", session / "tall.dng")


@produces("… was not written: there is a file of that name")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "mine.json").write_text("{}", encoding="utf-8")
    return run("measure", session, "tall", "--grid", "2x2", "--output", session / "mine.json")


@produces("… was not written: it is one of the session's own files;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    path = session / "calibration.json"
    return run("measure", session, "tall", "--grid", "2x2", "--output", path)


@produces("… was not written: captures of a session lie")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    edit(session, '"tall.dng"', '"family.png"')
    return run("curve", session / "readings.csv", "--output", session)


@produces("… was not written: there is something in that folder already;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("demo", session)


@produces("… was not written: no plate's size is known")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    edit(session, 'format = "9x12 cm"', "")
    said = convert(session, "--true-size")
    assert (session / "converted" / "report.json").is_file()
    return said


# --- Settings


@produces("… is missing; begin")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "session.toml").unlink()
    return convert(session)


@produces("… is not UTF-8 text;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "session.toml").write_bytes(b"title = '\xe9'\n")
    return convert(session)


@produces("… cannot be read (…); check the file")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "session.toml").unlink()
    (session / "session.toml").mkdir()
    return convert(session)


@produces("… is there already and has been edited")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("start", session)


@produces("… is a pipe or a device, not a file;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    if not hasattr(os, "mkfifo"):
        pytest.skip("no pipes with names here")
    (session / "session.toml").unlink()
    os.mkfifo(session / "session.toml")
    return convert(session)


produces("… is not TOML that can be used:")(with_settings("title = " + "9" * 5000))
produces("… is not TOML: ")(with_settings("title = \n"))
produces("… has the heading [")(with_settings("[plate]\n[plate]\n"))
produces("… is too large for settings;")(with_settings("#" * (5 << 20)))
produces("…: plate[1].emulsoin")(with_settings(PLATE + "emulsoin = 'light'"))
produces("…: gamma is not")(with_settings("gamma = 2"))
produces("…: scan.zzz")(with_settings("[scan]\nzzz = 2"))
produces("…: plate[1].rotate")(with_settings(PLATE + "rotate = 45"))
produces("…: scan.gamma is 9")(with_settings("[scan]\ngamma = 9"))
produces("…: plate[1].crop")(with_settings(PLATE + "crop = 'no'"))
produces("…: plate[1].format")(with_settings(PLATE + "format = '9x12'"))
produces("…: plate[1].id")(with_settings(PLATE.replace('"p"', '"p/q"')))
produces('…: plate[2].id is "P"')(with_settings(PLATE + PLATE.replace('"p"', '"P"')))
produces("…: plate[1].captures has a name")(with_settings(PLATE.replace("a.dng", "../a.dng")))
produces("…: plate[1].captures lists")(with_settings("[light]\nblank = ['a.dng']\n" + PLATE))
produces("…: plate[1].corners")(with_settings(PLATE + "corners = [[0, 0], [9, 0], [9, 9], [0, 9]]"))
produces("…: plate[1].pictures[1].box is")(with_settings(f"{PLATE}{PICTURE}id = 'a'"))
produces("…: plate[1].pictures[1].box leaves")(
    with_settings(f"{PLATE}{PICTURE}box = [0.5, 0, 0.6, 1]")
)
produces("…: plate[1].pictures[1].outline")(
    with_settings(f"{PLATE}{PICTURE}outline = [[0, 0], [0, 1], [1, 1], [1, 0]]")
)
produces('…: plate[2].id is "p.1"')(
    with_settings(
        f"{PLATE}{PICTURE}box = [0, 0, 1, 1]\n{PLATE.replace(chr(34) + 'p', chr(34) + 'p.1')}"
    )
)
produces("…: plate[1].others")(with_settings(PLATE + "others = 4"))
produces("…: plate[1].scale is not 2")(with_settings(PLATE + "scale = [40]"))
produces("…: plate[1].scale is no scale")(with_settings(PLATE + "scale = [40, 50]"))
produces("…: plate[1].picture_ratio")(with_settings(PLATE + "picture_ratio = 'A4'"))
produces("…: plate[1].picture_box_mm")(with_settings(PLATE + "picture_box_mm = [0, 0, 0, 9]"))


def with_caliper(name: str, mm: str, text: str = "") -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        with (session / "session.toml").open("a", encoding="utf-8") as file:
            file.write(text)
        return run("start", session, "--caliper", name, mm)

    return scenario


produces("…: caliper size of … is of no")(with_caliper("lost.dng", "119"))
produces("…: caliper size of … is … mm")(with_caliper("tall.dng", "3"))
produces("…: caliper size of … is of several")(
    with_caliper("tall.dng", "119", '[[plate]]\nid = "other"\ncaptures = ["tall.dng"]\n')
)
produces('there is no tone profile "…"')(with_settings(PLATE + "tone = 'sunny'"))

# --- The plate log


def with_log(content: str | bytes) -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        raw = content.encode() if isinstance(content, str) else content
        (session / "plates.csv").write_bytes(raw)
        return convert(session)

    return scenario


produces("… holds no rows;")(with_log(""))
produces('… has no column "plate id"')(with_log("title,date\nMill,1893\n"))
produces("… is no table:")(with_log("plate id,title\n1," + "x" * 200_000))
produces("… is too large for a table;")(with_log(b"\n" * (65 << 20)))
produces("…: row …, date (column …)")(with_log("plate id,date\ntall,May 1893\n"))
produces("…: row …, given (column …)")(with_log("plate id,given\ntall,30-Jan\n"))
produces("…: row …, plate id (column …)")(with_log("plate id\ntall\nTall\n"))
produces("…: column … is headed")(with_log("plate id,id\n"))


@produces("…: developed for of plate")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "plates.csv").write_text("plate id,developed for\ntall,5 min\n", encoding="utf-8")
    noted = ["develop-log", str(session), "--plate", "tall", "--develop", "9m@20"]
    assert CliRunner().invoke(main, noted).exit_code == 0
    return convert(session)


@produces('… lists no plate "…"; name one of')
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("master", session, "--plate", "nope")


# --- Prints, exposures, developing


def exhibited(spoilt: str) -> Scenario:
    """Convert, spoil one result, and exhibit."""

    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        assert CliRunner().invoke(main, ["convert", str(session)]).exit_code == ExitCode.OK
        (session / "converted" / spoilt).write_bytes(b"{")
        return run("exhibit", session, "--output", session.parent / "site")

    return scenario


produces("… holds no converted plates;")(
    lambda session, _: run("exhibit", session, "--output", session.parent / "site")
)
produces("… cannot be read as a positive;")(exhibited("positives/tall.tif"))
produces("… has no record that can be read, which")(exhibited("plates/tall.json"))
produces("… holds no records of plates;")(lambda session, _: run("which-print", session))


@produces("… has no record of a plate")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "converted" / "plates").mkdir(parents=True)
    (session / "converted" / "plates" / "tall.json").write_text("{}", encoding="utf-8")
    return run("which-print", session, "nope")


@produces("… is no record of densities;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "converted" / "plates").mkdir(parents=True)
    (session / "converted" / "plates" / "tall.json").write_text("{}", encoding="utf-8")
    return run("which-print", session)


@produces('there is no process profile "…" in …; the')
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("which-print", session, "--process", "sunny")


@produces('there is no process profile "…" in …; did')
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("which-print", session, "--process", "cyanotype")


@produces("…: hazards lists")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (session / "process").mkdir()
    (session / "process" / "carbon.toml").write_text("hazards = ['dragons']", encoding="utf-8")
    return run("which-print", session)


def with_table(*rows: str) -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        table = session / "batch.csv"
        if rows:
            table.write_text("\n".join(("metered_s,given_s", *rows)), encoding="utf-8")
        return run("expose", "--ev", "9", "--f", "16", "--table", table)

    return scenario


produces("… is missing; check the name of")(with_table())
produces("…: line … is not two times;")(with_table("1,1", "long,longer"))
produces("…: line … gives … s for … s metered")(with_table("1,1", "9,3"))
produces("…: line … gives … s, less than the row")(with_table("1,5", "2,4"))


@produces("… is missing; check the name, or leave your limits out (--limits)")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("develop-log", "--checklist", "--limits", session / "none.toml")


@produces("… is no log of developing;")
def _(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    return run("develop-log", session / "session.toml", "--plate", "1", "--fix", "5m")


# --- Print negatives


def negative(*args: str, saved: np.ndarray | None = None) -> Scenario:
    """Ask for a print negative of the plate, or of a positive that a person saved."""

    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        folder = session / "converted" / "positives"
        folder.mkdir(parents=True)
        picture = np.zeros((400, 300), np.uint16) if saved is None else saved
        unit = "NONE" if "no-size" in args else "INCH"
        tifffile.imwrite(folder / "tall.tif", picture, resolution=(100, 100), resolutionunit=unit)
        Image.new("L", (40, 30)).save(session / "not-a.tif", "PNG")
        asked = [session / a if a.endswith(".tif") else a for a in args if a != "no-size"]
        usual = ("--process", "albumen", "--ppi", "100")
        return run("print-negative", session, *usual, *asked)

    return scenario


produces("… has no positive of a plate")(negative("nobody"))
produces("… would get the files of another plate")(negative("tall", "tall"))
produces("… has no size in millimetres: its format is not set; give the size")(
    negative("tall", "no-size")
)
produces("… would be … x … mm on the film")(negative("tall", "--enlarge", "0.1"))
produces("… would be … x … mm, and no film")(negative("tall", "--enlarge", "40"))
produces("… would have …")(negative("tall", "--enlarge", "12", "--ppi", "1440"))
produces("… is no TIFF;")(negative("not-a.tif"))
produces("… has … bits a pixel")(negative("tall", saved=np.zeros((400, 300), np.uint8)))
produces("… is in colour;")(negative("tall", saved=np.zeros((400, 300, 3), np.uint16)))
produces("… takes … x … mm with its margins")(negative("tall", "--sheet", "60x60mm"))
produces("… is smaller than the step chart")(
    negative("tall", "--sheet", "100x150mm", "--with-chart")
)
FACSIMILE = ("--aim", "facsimile")
produces("… is a positive, which")(negative("converted/positives/tall.tif", *FACSIMILE))
produces("… holds no plate …")(negative("tall", *FACSIMILE))


# --- Memory and faults; killed workers are killed for real in test_convert_session.py


def failing(error: BaseException) -> Scenario:
    def scenario(session: Path, monkeypatch: pytest.MonkeyPatch) -> str:
        def fail(job: object, **_: object) -> None:
            raise error

        monkeypatch.setattr("platebench.session.convert_plate.convert_plate", fail)
        result = CliRunner().invoke(main, ["convert", str(session), "--jobs", "1"])
        code = ExitCode.INTERNAL if isinstance(error, ArithmeticError) else ExitCode.WORKER_LOST
        assert result.exit_code == code
        return result.stderr

    return scenario


produces("…: not enough memory;")(failing(MemoryError()))
produces("…: the program failed")(failing(ZeroDivisionError("nobody thought of it")))


produces("…: its worker was killed")(failing(WorkerLostError("tall")))
