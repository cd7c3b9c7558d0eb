"""An exhibit of 1,000 plates: time, size, what a change costs, and the first view in a browser.

    python bench/exhibit.py [--plates 1000] [--folder DIR]

Captures of four plates, 4 MP, are simulated and converted; every plate of the session has one of
their positives under a name, title and record of its own, so all the exhibit's work is real. The
pages are opened from the disk in headless Chromium, which the machine has to have: on a desk's
screen, and on a phone's with the processor slowed to a quarter.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import time
from pathlib import Path
from typing import Any

from growth import KINDS, make_captures, write_settings
from one_core import figure, run_bench, run_step

MEGAPIXELS = 4.0
WORDS = (
    *("mill", "harbour", "frozen", "bridge", "orchard", "wheel"),
    *("boats", "quay", "church", "winter", "garden", "tower"),
)
SCREENS = {"desk": (1280, 850, 1), "phone": (390, 844, 4)}  # width, height, slower by
# When the wall's pictures that can be seen have come, ms since the page was asked for.
SEEN = """new Promise((done) => {
  const painted = () => performance.getEntriesByName("first-contentful-paint").length > 0;
  const seen = (one) => one.getBoundingClientRect().top > innerHeight
    || (one.complete && one.naturalWidth > 0);
  const there = () => document.readyState === "complete" && painted()
    && [...document.querySelectorAll("#wall img")].every(seen);
  const look = () => there() ? done(performance.now()) : setTimeout(look, 10);
  look();
})"""
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
SOUGHT = """new Promise((done) => {
  const words = document.getElementById("words"), began = performance.now();
  words.value = "mill"; words.dispatchEvent(new Event("input"));
  requestAnimationFrame(() => setTimeout(() => done(performance.now() - began)));
})"""


def step_convert(folder: Path) -> dict[str, float]:
    """Make and convert the four plates; positives in pixels."""
    from platebench.session.convert_session import convert_session

    make_captures(folder, MEGAPIXELS)
    write_settings(folder, [f"kind-{n}" for n in range(KINDS)])
    done = convert_session(folder, workers=1)
    if done.exit_code:
        raise SystemExit(f"not converted: {done.errors}")
    records = [json.loads(p.read_bytes()) for p in (folder / "converted/plates").glob("*.json")]
    return {"pixels": sum(r["result"]["pixels"][0] * r["result"]["pixels"][1] for r in records)}


def step_exhibit(folder: Path) -> dict[str, float]:
    """Write the exhibit, or bring it up to date."""
    from platebench.exhibit.gather import gather_plates
    from platebench.exhibit.write_site import ExhibitWishes, write_exhibit

    started = time.perf_counter()
    wishes = ExhibitWishes(title="A thousand plates", address="https://example.org/plates/")
    made = write_exhibit(gather_plates([folder / "shelf"]), folder / "site", wishes)
    assert not made.failed
    return {"clock_s": time.perf_counter() - started, "cpu_s": time.process_time(),
            "made": made.made, "shown": made.shown}  # fmt: skip


def write_record(base: Path, shelf: Path, n: int, title: str) -> None:
    """Record a plate under its own name."""
    record = json.loads((base / f"converted/plates/kind-{n % KINDS}.json").read_bytes())
    name = f"plate-{n:05d}"
    log = {
        "plate_id": name,
        "title": title,
        "place": f"place {n % 97}",
        "date": f"{1880 + n % 40}-{1 + n % 12:02d}",
        "batch": str(n % 50),
        "notes": " ".join(WORDS[(n * k) % 12] for k in range(1, 30)),
    }
    record["result"] |= {"plate": name, "log": log}
    (shelf / f"converted/plates/{name}.json").write_text(json.dumps(record), encoding="utf-8")


def make_shelf(base: Path, shelf: Path, count: int) -> None:
    """Make a converted session of so many plates."""
    for part in ("positives", "plates"):
        (shelf / "converted" / part).mkdir(parents=True)
    for n in range(count):
        kind = base / f"converted/positives/kind-{n % KINDS}.tif"
        os.link(kind, shelf / f"converted/positives/plate-{n:05d}.tif")
        write_record(base, shelf, n, f"{WORDS[n % 12]} and {WORDS[(n // 12) % 12]}")


def measure(folder: Path, asked: argparse.Namespace) -> None:
    """Print what building, changing and looking take."""
    count, base, shelf = asked.plates, folder / "base", folder / "shelf"
    base.mkdir()
    megapixels = run_step(__file__, "convert", base)["pixels"] / KINDS / 1e6
    make_shelf(base, shelf, count)
    first = run_step(__file__, "exhibit", folder)
    assert first["made"] == count, first
    sizes = [path.stat().st_size for path in (folder / "site").rglob("*") if path.is_file()]
    took, size = first["clock_s"], sum(sizes)
    each = count * megapixels
    figure(f"{count} plates of {megapixels:.1f} MP: clock; processor; peak memory",
           f"{took:.0f} s; {first['cpu_s']:.0f} s; {first['peak_bytes'] / 1e6:.0f} MB")  # fmt: skip
    figure("the site: size; files", f"{size / 1e6:.0f} MB; {len(sizes)}")
    figure("a megapixel of a positive", f"{1000 * took / each:.0f} ms; {size / each / 1e3:.0f} kB")
    again = run_step(__file__, "exhibit", folder)
    write_record(base, shelf, 7, "Another title")
    named = run_step(__file__, "exhibit", folder)
    positive = shelf / "converted/positives/plate-00007.tif"
    positive.unlink()
    shutil.copyfile(base / "converted/positives/kind-0.tif", positive)
    one = run_step(__file__, "exhibit", folder)
    assert (again["made"], named["made"], one["made"]) == (0, 0, 1)
    for what, took_now in {"nothing": again, "a title": named, "a picture": one}.items():
        figure(f"again with {what} changed: clock; processor",
               f"{took_now['clock_s']:.1f} s; {took_now['cpu_s']:.1f} s")  # fmt: skip
    look(folder / "site")


def look(site: Path) -> None:
    """Print how long the first view takes."""
    from playwright.sync_api import sync_playwright

    wall = site / "index.html"
    figure("the wall's page", f"{wall.stat().st_size / 1e3:.0f} kB")
    one = next((site / "plates").glob("*.html"))
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--disable-gpu"]
        )
        for name, (width, height, slower) in SCREENS.items():
            page: Any = browser.new_page(viewport={"width": width, "height": height})
            calm = page.context.new_cdp_session(page)
            calm.send("Emulation.setCPUThrottlingRate", {"rate": slower})
            page.goto(wall.as_uri(), wait_until="commit")
            seen = page.evaluate(SEEN)
            painted, sought = page.evaluate(PAINTED), page.evaluate(SOUGHT)
            page.goto(one.as_uri(), wait_until="commit")
            page.wait_for_selector("#deep[data-loaded=true] canvas")
            deep = page.evaluate("performance.now()")
            figure(f"{name}: wall painted; its pictures there; a search",
                   f"{painted / 1e3:.2f} s; {seen / 1e3:.2f} s; {sought / 1e3:.2f} s")  # fmt: skip
            figure(f"{name}: a plate's page, its picture there", f"{deep / 1e3:.2f} s")
            page.close()
        browser.close()


if __name__ == "__main__":
    run_bench(
        __doc__, {"convert": step_convert, "exhibit": step_exhibit}, measure, size=("plates", 1000)
    )
