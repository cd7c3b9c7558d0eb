"""Run the benchmarks and write what they measure into ``docs/figures.md``.

    python -m bench                  # all of them; wants a quiet machine
    python -m bench convert tablet   # these; the rest of the page stays
    python -m bench --small          # small sizes, to see that all of them run: nothing is written

Each runs in a process of its own and stands alone too, ``python bench/convert.py --help``. What it
prints through :func:`one_core.figure` becomes a row of its table on the page.
"""

from __future__ import annotations

import argparse
import ast
import datetime
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import psutil

HERE = Path(__file__).parent
PAGE = HERE.parent / "docs" / "figures.md"
# Each benchmark with what makes it small.
BENCHES = {
    "convert": ("--megapixels", "2", "--runs", "1"),
    "bracket": ("--megapixels", "1", "--runs", "1"),
    "large_scan": ("--megapixels", "4"),
    "tablet": ("--megapixels", "4", "--runs", "1"),
    "print_negative": ("--megapixels", "2", "--runs", "1"),
    "review": ("--megapixels", "12", "--plates", "6", "--opened", "2"),
    "archive": ("--megabytes", "30", "--runs", "1"),
    "catalogue": ("--packages", "50"),
    "exhibit": ("--plates", "8"),
    "cluster": ("--plates", "3", "--megapixels", "0.5"),
    "growth": ("--plates", "6", "--megapixels", "0.2"),
    "checked": ("--plates", "2", "--megapixels", "0.5"),
    "accidents": ("--seeds", "1", "--kinds", "TIFF, 8 bits grey"),
    "glare": ("--sessions", "1"),
    "coverage": ("--sessions", "1"),
    "inks": ("--printers", "1"),
    "print_checks": ("--prints", "1"),
    "exposure_strips": ("--papers", "5"),
    "several": ("--frames", "1"),
    "find_pictures": ("--plates", "2"),
    "tiles": ("--sets", "1"),
    "own_speed": ("--makers", "4"),
    "scan_gamma": ("--prints", "1"),
    "edges": ("--plates", "1"),
    "picture_border": ("--plates", "2"),
    "true_size": ("--boxes", "2", "--drawn", "1"),
}


def run(name: str, options: tuple[str, ...]) -> list[dict[str, str]] | None:
    """Run one benchmark; return the rows it kept, or None where it failed."""
    with tempfile.TemporaryDirectory() as folder:
        rows = Path(folder) / "rows"
        rows.touch()
        command = [sys.executable, str(HERE / f"{name}.py"), *options]
        done = subprocess.run(command, env={**os.environ, "BENCH_FIGURES": str(rows)}, check=False)
        if done.returncode:
            return None
        return [json.loads(line) for line in rows.read_text(encoding="utf-8").splitlines()]


def machine() -> str:
    """Return the day and what it is measured on."""
    day = datetime.datetime.now(datetime.UTC).date().isoformat()
    cores = psutil.cpu_count()
    return f"{day}, {cores} cores, load {psutil.getloadavg()[0]:.1f} at the start"


def section(name: str, rows: list[dict[str, str]], where: str) -> str:
    """Return a benchmark's part of the page, between the marks it is found by."""
    about = ast.get_docstring(ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))) or ""
    lines = [
        f"<!-- {name} -->",
        about.splitlines()[0],
        "",
        f"`python bench/{name}.py`, {where}",
        "",
    ]
    lines += ["| what | figure | aim |", "| --- | --- | --- |"]
    lines += [f"| {row['what']} | {row['value']} | {row['aim']} |" for row in rows]
    return "\n".join([*lines, f"<!-- end of {name} -->"])


def put(page: str, name: str, text: str) -> str:
    """Return the page with a benchmark's part replaced."""
    part = re.compile(rf"<!-- {name} -->.*?<!-- end of {name} -->", re.DOTALL)
    changed, count = part.subn(lambda _: text, page)
    if count != 1:
        raise SystemExit(f"{PAGE.name} has no place for {name}: put its two marks there")
    return changed


def main() -> int:
    """Read the command line, run, write."""
    parser = argparse.ArgumentParser(prog="python -m bench", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(BENCHES))
    parser.add_argument("--small", action="store_true", help="small sizes; write nothing")
    asked = parser.parse_args()
    if unknown := set(asked.names) - set(BENCHES):
        parser.error(f"no such benchmark: {', '.join(sorted(unknown))}")
    failed = []
    for name in asked.names or BENCHES:
        print(f"== {name}", flush=True)
        where = machine()
        rows = run(name, BENCHES[name] if asked.small else ())
        if not rows:
            failed.append(name)
        elif not asked.small:
            page = PAGE.read_text(encoding="utf-8")
            PAGE.write_text(put(page, name, section(name, rows, where)), encoding="utf-8")
    if failed:
        print(f"no figures from: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
