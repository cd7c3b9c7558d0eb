"""A collection of 10,000 packages: how long indexing takes, and how long an answer.

    python bench/catalogue.py [--packages 10000] [--folder DIR]

The packages are made of metadata alone (recipe, record and manifests, no pictures), which is all
that indexing reads. Beside it stands the floor: opening and reading the same files, nothing more.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from one_core import figure, peak_bytes

WORDS = (
    *("mill", "harbour", "frozen", "bridge", "orchard", "wheel"),
    *("boats", "quay", "church", "winter", "garden", "tower"),
)


def make_packages(collection: Path, count: int) -> None:
    """Write packages of one plate each, varied by their number."""
    for n in range(count):
        package = collection / f"{n // 500:03d}" / f"shelf-{n:05d}"
        (package / "data/plates").mkdir(parents=True)
        title = f"{WORDS[n % 12]} and {WORDS[(n // 12) % 12]}"
        log = {
            "plate_id": "plate",
            "title": title,
            "place": f"place {n % 97}",
            "date": f"{1880 + n % 40}-{1 + n % 12:02d}",
            "batch": str(n % 50),
            "notes": " ".join(WORDS[(n * k) % 12] for k in range(1, 30)),
        }
        span = 0.6 + (n % 160) / 100
        densities = {
            "base_fog": 0.1,
            "base_fog_from": "rebate",
            "d_min": 0.1,
            "d_max": 0.1 + span,
            "density_range": span,
            "blue_range": None,
            "histogram": [],
        }
        result = {
            "log": log,
            "taken": "2026-03-01T12:00:00",
            "format": "13x18 cm",
            "base_fog": 0.1,
            "d_max": 0.1 + span,
            "density_range": span,
            "flags": ["kept whole: not cropped"] if n % 20 == 0 else [],
            "light": {"source": "blank"},
            "stain": None,
            "densities": densities,
        }
        files = {
            "bagit.txt": "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
            "bag-info.txt": f"External-Identifier: shelf-{n:05d}\nPayload-Oxum: 1000.2\n",
            "data/recipe.json": json.dumps({"session": {"plate": [{"id": "plate", "note": ""}]}}),
            "data/plates/plate.json": json.dumps({"result": result}),
        }
        for name, text in files.items():
            (package / name).write_text(text, encoding="utf-8")
        digests = (f"{hashlib.sha512(files[name].encode()).hexdigest()}  {name}" for name in files)
        (package / "tagmanifest-sha512.txt").write_text("\n".join(digests) + "\n", encoding="utf-8")


def read_everything(collection: Path) -> None:
    """Read every file of every package: what no index can do without."""
    for path in collection.rglob("*"):
        if path.is_file():
            path.read_bytes()


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Read the command line, measure and print."""
    from platebench.archive.catalogue import index_collection
    from platebench.archive.catalogue_file import FILE_NAME
    from platebench.archive.catalogue_find import Query, find_plates
    from platebench.printing.process_file import load_processes, process_folders

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--packages", type=int, default=10_000)
    parser.add_argument("--folder", type=Path)
    args = parser.parse_args()
    processes = load_processes(process_folders(None, None))
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        collection = Path(name)
        make_packages(collection, args.packages)
        read_everything(collection)  # both sides find the files in memory
        floor = timed(lambda: read_everything(collection))
        first = timed(lambda: index_collection(collection, processes=processes))
        again = timed(lambda: index_collection(collection, processes=processes))
        catalogue = collection / FILE_NAME
        print(f"{args.packages} packages of one plate, {len(processes)} processes")
        figure("indexing / reading every file", f"{first / floor:.1f}")
        figure("indexed; indexed again, unchanged", f"{first:.1f} s; {again:.1f} s")
        size = catalogue.stat().st_size
        figure("the catalogue; peak memory", f"{size / 1e6:.1f} MB; {peak_bytes() / 1e6:.0f} MB")
        for what, query in {
            "text": Query(text="mill harb"),
            "date": Query(dates=("1893-01-01", "1893-12-31")),
            "batch and range": Query(batch="7", density_range=(1.2, 1.8)),
            "process and flag": Query(process="albumen", flagged=True),
            "everything, first 100": Query(),
        }.items():
            best = min(
                timed(lambda q=query: find_plates(catalogue, q, limit=100)) for _ in range(3)
            )  # type: ignore[misc]
            total = find_plates(catalogue, query, limit=1).total
            figure(f"query by {what} ({total} found)", f"{best * 1000:.1f} ms")


if __name__ == "__main__":
    main()
