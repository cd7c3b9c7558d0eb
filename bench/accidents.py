"""Accidents that happen to files on cards, disks and cables, and what reading says of them.

    python bench/accidents.py [--seeds 1 2 3] [--kinds KIND ...] [--each]
    python bench/accidents.py --cost [--megapixels 60]

Whole files of a dozen kinds are damaged as storage damages them: cut short, or blocks of 512 bytes
and more left empty, filled with one byte, repeated, or swapped. Every damaged file is read. The
table gives, for each kind and accident, how many were refused, how many were read with a word of
doubt, and how many were read without one; then what share of the picture was wrong in those.

With ``--cost``, healthy frames of that size are read instead, and the table gives how much of the
time goes into looking for accidents: processor time, the least of five readings.

Real raws are taken from ``../shared/data`` beside the checkout, and left out where it is absent.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import tifffile

from platebench.core.errors import CaptureError
from platebench.read import dng, raw, scan
from platebench.read.capture import read_capture
from platebench.synthetic import CameraModel, LightBox, PlateModel, simulate_plate, write_dng

BLOCK = 512
REAL = Path(__file__).resolve().parents[2] / "shared" / "data" / "raw"
REAL_KINDS = {
    "CRW": "Canon_G2_CRW_0304.CRW",
    "CRW, clipped": "Canon_S40_CRW_0112.CRW",
    "KDC": "Kodak_DC120_P003908.KDC",
    "cinema DNG": "blackmagic_pocket_cinema_1952x1112.dng",
}


# ------------------------------------------------------------------------------------ whole files


@cache
def _frame(seed: int) -> Any:
    camera = CameraModel(shape=(800, 1200), tilt_deg=0.7, fill=0.9)
    plate = PlateModel(size_mm=(101.0, 126.2), dust=10, scratches=2, chips=1)
    return simulate_plate(plate, LightBox(), camera, exposure_s=1 / 16, seed=seed).frame


def _scan(seed: int, bits: int, colour: bool) -> Any:
    """Return codes of gamma 2.2 with the simulated sensor's own noise."""
    frame = _frame(seed)
    light = np.clip((frame.counts - 512.0) / (frame.white - 512.0), 0, 1)
    grey = (light[::2, ::2] + light[1::2, 1::2] + light[::2, 1::2] + light[1::2, ::2]) / 4
    if colour:
        grey = np.stack([light[::2, 1::2], light[1::2, ::2], light[1::2, 1::2]], axis=-1)
    dtype = np.uint8 if bits == 8 else np.uint16
    return np.rint(grey ** (1 / 2.2) * (2**bits - 1)).astype(dtype)


def _tiff(pixels: Any, **options: Any) -> bytes:
    stream = io.BytesIO()
    photometric = "rgb" if pixels.ndim == 3 else "minisblack"
    tifffile.imwrite(stream, pixels, photometric=photometric, metadata=None, **options)
    return stream.getvalue()


def _jpeg(pixels: Any, **options: Any) -> bytes:
    return bytes(imagecodecs.jpeg8_encode(pixels, level=92, **options))


def _for_libraw(frame: Any) -> Any:
    """Return a frame without the speed that our own reader needs."""
    return replace(frame, info=replace(frame.info, iso=None))


def _dng(seed: int, *, compress: bool, plain: bool = True) -> bytes:
    frame = _frame(seed) if plain else _for_libraw(_frame(seed))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.dng"
        write_dng(path, frame, compress=compress)
        return path.read_bytes()


KINDS: dict[str, Callable[[int], bytes]] = {
    "TIFF, 8 bits grey": lambda seed: _tiff(_scan(seed, 8, False)),
    "TIFF, 16 bits RGB": lambda seed: _tiff(_scan(seed, 16, True), rowsperstrip=64),
    "TIFF, 16 bits tiled": lambda seed: _tiff(_scan(seed, 16, False), tile=(128, 128)),
    "TIFF, LZW": lambda seed: _tiff(
        _scan(seed, 16, True), rowsperstrip=32, compression="lzw", predictor=True
    ),
    "TIFF, deflate": lambda seed: _tiff(
        _scan(seed, 16, False), rowsperstrip=32, compression="deflate", predictor=True
    ),
    "TIFF, zstd": lambda seed: _tiff(_scan(seed, 16, False), rowsperstrip=32, compression="zstd"),
    "TIFF, packbits": lambda seed: _tiff(
        _scan(seed, 8, False), rowsperstrip=32, compression="packbits"
    ),
    "TIFF, JPEG": lambda seed: _tiff(_scan(seed, 8, True), rowsperstrip=64, compression="jpeg"),
    "PNG, 16 bits": lambda seed: bytes(imagecodecs.png_encode(_scan(seed, 16, False))),
    "JPEG, grey": lambda seed: _jpeg(_scan(seed, 8, False), optimize=True),
    "JPEG, colour": lambda seed: _jpeg(_scan(seed, 8, True)),
    "DNG, plain": lambda seed: _dng(seed, compress=False),
    "DNG, lossless JPEG": lambda seed: _dng(seed, compress=True),
    "DNG for LibRaw": lambda seed: _dng(seed, compress=True, plain=False),
}


def whole_file(kind: str, seed: int) -> bytes | None:
    """Return a healthy file's bytes, None where its real file is not here."""
    if kind in REAL_KINDS:
        path = REAL / REAL_KINDS[kind]
        return path.read_bytes() if path.is_file() else None
    return KINDS[kind](seed)


def picture_bytes(data: bytes) -> tuple[int, int]:
    """Return where the picture's own bytes begin and end: accidents elsewhere hit the header."""
    if data[:2] in (b"II", b"MM") and data[6:14] != b"HEAPCCDR":
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            pages = [p for page in file.pages for p in (page, *(page.pages or ()))]
            page = max(pages, key=lambda page: sum(page.databytecounts))
            at, counts = page.dataoffsets, page.databytecounts
            return min(at), max(a + n for a, n in zip(at, counts, strict=True))
    if data[6:14] == b"HEAPCCDR":
        return 26, 26 + int(0.95 * len(data))
    return 1024, len(data)


# -------------------------------------------------------------------------------------- accidents

Accident = Callable[[bytearray, int, int, np.random.Generator], bytearray]


def _aligned(at: float) -> int:
    return int(at) // BLOCK * BLOCK


def _range(rng: np.random.Generator, start: int, end: int, size: int) -> tuple[int, int]:
    """Return a random aligned range of that size within the picture's bytes."""
    first = -(-start // BLOCK)
    size = min(size, max(BLOCK, _aligned((end - start) / 3)))
    last = max(first + 1, (end - size) // BLOCK)
    at = int(rng.integers(first, last)) * BLOCK
    return at, min(at + size, end)


def _size(rng: np.random.Generator, least: int = 0, most: int = 7) -> int:
    return BLOCK << int(rng.integers(least, most + 1))


def _cut(data: bytearray, start: int, end: int, rng: np.random.Generator) -> bytearray:
    share = 10 ** rng.uniform(-2.5, -0.3)
    return data[: int(end - share * (end - start))]


def _filled_tail(byte: int, *, spared: bool = False) -> Accident:
    def fill(data: bytearray, start: int, end: int, rng: np.random.Generator) -> bytearray:
        at = int(end - rng.uniform(0.02, 0.5) * (end - start))
        at = _aligned(at) if rng.random() < 0.5 else at
        data[at:] = bytes([byte]) * (len(data) - at)
        if spared:
            data[int(rng.integers(at, end))] = 0x5A
        return data

    return fill


def _filled_middle(byte: int) -> Accident:
    def fill(data: bytearray, start: int, end: int, rng: np.random.Generator) -> bytearray:
        share = rng.uniform(0.05, 0.3)
        at = int(start + rng.uniform(0.1, 0.9 - share) * (end - start))
        size = int(share * (end - start))
        data[at : at + size] = bytes([byte]) * size
        return data

    return fill


def _hole(byte: int) -> Accident:
    def fill(data: bytearray, start: int, end: int, rng: np.random.Generator) -> bytearray:
        at, until = _range(rng, start, end, _size(rng))
        data[at:until] = bytes([byte]) * (until - at)
        return data

    return fill


def _repeated(data: bytearray, start: int, end: int, rng: np.random.Generator) -> bytearray:
    """Write a buffer once more, in place of the one after it."""
    at, until = _range(rng, start, end, 2 * _size(rng))
    half = (until - at) // 2
    data[at + half : at + 2 * half] = data[at : at + half]
    return data


def _stuck(data: bytearray, start: int, end: int, rng: np.random.Generator) -> bytearray:
    """Write the same buffer over and over, to the end."""
    size = _size(rng)
    at, _ = _range(rng, start + (end - start) // 2, end, size)
    block, rest = data[at : at + size], len(data) - at
    data[at:] = (block * (rest // size + 1))[:rest]
    return data


def _swapped(data: bytearray, start: int, end: int, rng: np.random.Generator) -> bytearray:
    size = _size(rng, 3, 8)
    one, until = _range(rng, start, end, size)
    size = until - one
    other = one
    while abs(other - one) < size:
        other, until = _range(rng, start, end, size)
    size = min(size, until - other)
    data[one : one + size], data[other : other + size] = (
        data[other : other + size],
        data[one : one + size],
    )
    return data


ACCIDENTS: dict[str, Accident] = {
    "cut short": _cut,
    "tail zeros": _filled_tail(0),
    "zeros but for one byte": _filled_tail(0, spared=True),
    "middle zeros": _filled_middle(0),
    "hole of zeros": _hole(0),
    "tail 0xFF": _filled_tail(0xFF),
    "hole of 0xFF": _hole(0xFF),
    "hole of 0xAA": _hole(0xAA),
    "block repeated": _repeated,
    "stuck to the end": _stuck,
    "blocks swapped": _swapped,
}


# ---------------------------------------------------------------------------------------- reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one damaged file: ``refused``, ``doubted`` or ``read``."""

    kind: str
    accident: str
    seed: int
    said: str
    message: str
    wrong: float = 0.0

    @property
    def silent(self) -> bool:
        """Read without a word."""
        return self.said == "read"


def try_accident(kind: str, accident: str, seed: int, folder: Path) -> Outcome | None:
    """Damage a file and read it; None where no pixel changed, or there is no such file."""
    whole = whole_file(kind, seed)
    if whole is None:
        return None
    start, end = picture_bytes(whole)
    code = [*KINDS, *REAL_KINDS].index(kind), [*ACCIDENTS].index(accident)
    rng = np.random.default_rng([seed, *code])
    path = folder / "damaged.bin"
    path.write_bytes(whole)
    healthy = read_capture(path)
    damaged = bytes(ACCIDENTS[accident](bytearray(whole), start, end, rng))
    path.write_bytes(damaged)
    try:
        frame = read_capture(path)
    except CaptureError as error:
        return Outcome(kind=kind, accident=accident, seed=seed, said="refused", message=error.what)
    wrong = 1.0
    if frame.counts.shape == healthy.counts.shape:
        wrong = float((frame.counts != healthy.counts).mean())
    if not wrong:
        return None
    new = [note for note in frame.info.notes if note not in healthy.info.notes]
    said, message = ("doubted", "; ".join(new)) if new else ("read", "")
    return Outcome(kind=kind, accident=accident, seed=seed, said=said, message=message, wrong=wrong)


def outcomes(seeds: list[int], kinds: list[str] | None = None) -> Iterator[Outcome]:
    """Yield what became of each kind of file under each accident."""
    with tempfile.TemporaryDirectory() as folder:
        for kind in kinds or [*KINDS, *REAL_KINDS]:
            for accident in ACCIDENTS:
                for seed in seeds:
                    outcome = try_accident(kind, accident, seed, Path(folder))
                    if outcome is not None:
                        yield outcome


# ------------------------------------------------------------------------------------------- cost

CHECKS = {
    dng: ("refuse_unread",),
    raw: ("refuse_unread", "refuse_wrong_codes", "refuse_unwritten", "refuse_lost_runs"),
    scan: ("refuse_unwritten", "refuse_unwritten_jpeg", "refuse_torn"),
}


def _large_frame(megapixels: float) -> Any:
    """Return the simulated frame enlarged, with noise of its own at every site."""
    from one_core import frame_shape  # run as a script, not imported by a test

    frame, shape = _frame(1), frame_shape(megapixels)
    counts = cv2.resize(frame.counts[::2, ::2].astype(np.float32), shape[::-1])
    rng = np.random.default_rng(1)
    counts += np.sqrt(np.maximum(counts - 400, 1)) * rng.standard_normal(shape, np.float32)
    return replace(frame, counts=np.clip(counts, 0, frame.white).astype(np.uint16))


def _large_files(megapixels: float, folder: Path) -> Iterator[tuple[str, Path]]:
    frame = _large_frame(megapixels)
    black = float(frame.black.min())
    light = np.clip((np.arange(65536) - black) / (frame.white - black), 0, 1)
    sixteen = np.rint(65535 * light ** (1 / 2.2)).astype(np.uint16)[frame.counts]
    eight = (sixteen >> 8).astype(np.uint8)
    colours = np.stack([eight, np.roll(eight, 1, 1), np.roll(eight, 1, 0)], axis=-1)
    path = folder / "large.bin"
    for kind, compress, captured in (
        ("DNG, plain", False, frame),
        ("DNG, lossless JPEG", True, frame),
        ("DNG for LibRaw", True, _for_libraw(frame)),
    ):
        write_dng(folder / "large.dng", captured, compress=compress)
        yield kind, folder / "large.dng"
    scans: dict[str, Callable[[], bytes]] = {
        "TIFF, 16 bits grey": lambda: _tiff(sixteen),
        "TIFF, 8 bits grey": lambda: _tiff(eight),
        "TIFF, 8 bits RGB": lambda: _tiff(colours, rowsperstrip=64),
        "TIFF, 16 bits tiled": lambda: _tiff(sixteen, tile=(256, 256)),
        "TIFF, LZW": lambda: _tiff(sixteen, rowsperstrip=64, compression="lzw", predictor=True),
        "TIFF, JPEG": lambda: _tiff(colours, rowsperstrip=64, compression="jpeg"),
        "JPEG, colour": lambda: _jpeg(cv2.GaussianBlur(colours, (0, 0), 1)),
        "JPEG, grey": lambda: _jpeg(cv2.GaussianBlur(eight, (0, 0), 1)),
    }
    for kind, encode in scans.items():
        path.write_bytes(encode())
        yield kind, path


def print_cost(megapixels: float, kinds: list[str] | None) -> None:
    """Print what looking for accidents takes of reading healthy frames."""
    spent = [0.0]

    def timed(check: Callable[..., Any]) -> Callable[..., Any]:
        def run(*arguments: Any, **named: Any) -> Any:
            start = time.process_time()
            done = check(*arguments, **named)
            spent[0] += time.process_time() - start
            return done

        return run

    for module, names in CHECKS.items():
        for name in names:
            setattr(module, name, timed(getattr(module, name)))
    print(f"{megapixels:g} MP: seconds to read, to look for accidents, share of the rest")
    with tempfile.TemporaryDirectory() as folder:
        for kind, path in _large_files(megapixels, Path(folder)):
            if kinds and kind not in kinds:
                continue
            taken = []
            for _ in range(5):
                spent[0], start = 0.0, time.process_time()
                read_capture(path)
                taken.append((time.process_time() - start - spent[0], spent[0]))
            rest, looking = (min(seconds) for seconds in zip(*taken, strict=True))
            print(f"{kind:22}{rest + looking:7.3f}{looking:8.4f}{looking / rest:8.1%}", flush=True)


def main() -> None:
    """Print the table."""
    from one_core import figure  # here, since tests import this file from elsewhere

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--kinds", nargs="+")
    parser.add_argument("--each", action="store_true", help="print every file that was read")
    parser.add_argument("--cost", action="store_true", help="time the search in healthy frames")
    parser.add_argument("--megapixels", type=float, default=60.0)
    asked = parser.parse_args()
    if asked.cost:
        print_cost(asked.megapixels, asked.kinds)
        return
    found = list(outcomes(asked.seeds, asked.kinds))
    print("refused, doubted, read without a word\n")
    names = [*ACCIDENTS]
    print(f"{'':22}" + "".join(f"{name[:12]:>13}" for name in names))
    for kind in dict.fromkeys(outcome.kind for outcome in found):
        row = f"{kind:22}"
        for name in names:
            said = [o.said for o in found if (o.kind, o.accident) == (kind, name)]
            row += f"{' '.join(str(said.count(s)) for s in ('refused', 'doubted', 'read')):>13}"
        print(row)
    for said, what in {
        "refused": "refused",
        "doubted": "doubted",
        "read": "read without a word",
    }.items():
        figure(f"damaged files {what}", f"{sum(o.said == said for o in found)} of {len(found)}")
    for outcome in found:
        if outcome.silent or (asked.each and outcome.said == "doubted"):
            print(
                f"  {outcome.kind}, {outcome.accident}, seed {outcome.seed}: {outcome.said}, "
                f"{outcome.wrong:.2%} of the pixels wrong {outcome.message}"
            )


if __name__ == "__main__":
    sys.exit(main())
