"""Packing against copying and hashing the same bytes.

    python bench/archive.py [--megabytes 1500] [--runs 3] [--folder DIR]

Both sides copy the same TIFF files, make SHA-256 and SHA-512 of each in one read, and flush each
to the disk. The plain side is a loop in one thread; ours hashes in a thread for each digest, and
the pixels by themselves as well. Printed are two ratios, measured in one run:

* writing: ours until every manifest is written / the plain copy-and-hash;
* all of it: ours with reading back and verifying / the plain copy-and-hash, then hashing the
  copies once more.

The best of the runs counts; every step is a process of its own. Caches are warm for the sources
on both sides, and dropped for the copies before they are read back where the system can do that.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import time
from datetime import date
from pathlib import Path

from one_core import figure, run_bench, run_step

FILES = 6
CHUNK = 1 << 20
AIM = 1.3


def make_sources(folder: Path, megabytes: int) -> None:
    """Write pictures of noise."""
    import numpy as np

    from platebench.write.tiff import write_picture

    rng = np.random.default_rng(1)
    columns = 4096
    rows = megabytes * 10**6 // (FILES * columns * 2)
    (folder / "sources").mkdir()
    for n in range(FILES):
        pixels = rng.integers(0, 65536, (rows, columns), np.uint16)
        write_picture(
            folder / "sources" / f"{n}.tif",
            pixels,
            ppi=None,
            description="",
            software="",
            taken=None,
            xmp=b"",
        )


def sources_of(folder: Path) -> list[Path]:
    return sorted((folder / "sources").iterdir())


def read_hashed(path: Path, copy: Path | None) -> None:
    """Read a file once, hash it twice, copy it and flush the copy: the plain way."""
    digests = hashlib.sha256(), hashlib.sha512()
    target = copy.open("wb", buffering=0) if copy else None
    with path.open("rb", buffering=0) as stream:
        while chunk := stream.read(CHUNK):
            for digest in digests:
                digest.update(chunk)
            if target:
                target.write(chunk)
    if target:
        os.fsync(target.fileno())
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(target.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        target.close()


def step_plain(folder: Path) -> dict[str, float]:
    """Time copying and hashing, then hashing the copies."""
    place = folder / "plain"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    start = time.perf_counter()
    for path in sources_of(folder):
        read_hashed(path, place / path.name)
    written = time.perf_counter() - start
    for path in sources_of(folder):
        read_hashed(place / path.name, None)
    took = time.perf_counter() - start
    shutil.rmtree(place)
    return {"written": written, "seconds": took}


def step_ours(folder: Path) -> dict[str, float]:
    """Time packing, and how much of it was reading back."""
    from platebench.archive import package_writer

    verify, verifying = package_writer.verify_package, []

    def timed(*args: object, **kwargs: object) -> object:
        start = time.perf_counter()
        check = verify(*args, **kwargs)  # type: ignore[arg-type]
        verifying.append(time.perf_counter() - start)
        return check

    package_writer.verify_package = timed  # type: ignore[assignment]
    target = folder / "ours"
    shutil.rmtree(target, ignore_errors=True)
    start = time.perf_counter()
    with package_writer.new_package(target, date(2026, 3, 1)) as writer:
        for path in sources_of(folder):
            writer.copy(path, f"masters/{path.name}")
    took = time.perf_counter() - start
    shutil.rmtree(target)
    return {"written": took - sum(verifying), "seconds": took}


STEPS = {"plain": step_plain, "ours": step_ours}


def compare(folder: Path, asked: argparse.Namespace) -> None:
    """Measure and print the ratios."""
    make_sources(folder, asked.megabytes)
    best: dict[str, float] = {}
    for _ in range(asked.runs):
        for step in STEPS:
            figures = run_step(__file__, step, folder)
            for key in ("written", "seconds"):
                known = best.get(f"{step} {key}", figures[key])
                best[f"{step} {key}"] = min(known, figures[key])
    print(f"{asked.megabytes} MB in {FILES} files, best of {asked.runs}")
    for key, what in (("written", "not read back"), ("seconds", "read back")):
        ours, plain = best[f"ours {key}"], best[f"plain {key}"]
        print(f"  {what}: plain {plain:.2f} s, ours {ours:.2f} s")
        figure(f"packing / copying and hashing; {what}", f"{ours / plain:.2f}", f"<= {AIM}")


def main() -> None:
    """Measure six files."""
    run_bench(__doc__, STEPS, compare, size=("megabytes", 1500))


if __name__ == "__main__":
    main()
