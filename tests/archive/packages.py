"""Small packages, for tests of what becomes of them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path

import numpy as np

from platebench.archive.package_writer import new_package
from platebench.write.tiff import write_picture

DAY = date(2026, 3, 1)
FILES: Mapping[str, bytes] = {
    "recipe.json": b"{}\n",
    "plates/tall.json": b'{"plate": "tall"}\n',
    "empty": b"",
    "notes/50% sure\nor less.txt": "Platte für München".encode(),
}


def build(target: Path, files: Mapping[str, bytes] = FILES) -> Path:
    """Write a package of these payload files."""
    with new_package(target, DAY, [("External-Identifier", target.name)]) as writer:
        for name, data in files.items():
            writer.put(name, data)
    return target


def picture(path: Path, *, seed: int = 3, shape: tuple[int, ...] = (37, 53)) -> Path:
    """Write a small TIFF of noise."""
    pixels = np.random.default_rng(seed).integers(0, 2**16, shape, np.uint16)
    write_picture(
        path, pixels, ppi=300, description="Plate", software="platebench", taken=None, xmp=b""
    )
    return path


def flip_byte(path: Path, place: int) -> None:
    """Change one bit of one byte."""
    data = bytearray(path.read_bytes())
    data[place] ^= 1
    path.write_bytes(data)


def rewrite(package: Path, change: Callable[[str, bytes], bytes]) -> None:
    """Change the payload manifests and make the tag manifests fit again."""
    for algorithm in ("sha256", "sha512"):
        path = package / f"manifest-{algorithm}.txt"
        path.write_bytes(change(algorithm, path.read_bytes()))
    seal(package)


def seal(package: Path) -> None:
    """Write tag manifests anew, as whoever tampers would."""
    for algorithm in ("sha256", "sha512"):
        names = sorted(
            path.name
            for path in package.iterdir()
            if path.is_file() and not path.name.startswith("tagmanifest")
        )
        lines = [
            f"{hashlib.new(algorithm, (package / name).read_bytes()).hexdigest()}  {name}\n"
            for name in names
        ]
        (package / f"tagmanifest-{algorithm}.txt").write_text("".join(lines), encoding="utf-8")
