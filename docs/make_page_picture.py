"""Make the picture of the review page from the demo: ``python docs/make_page_picture.py SESSION``.

Needs Chromium and playwright; SESSION is a converted demo session, which is copied first.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

PICTURE = Path(__file__).parent / "pictures" / "review-page.jpg"
SIZE = {"width": 1360, "height": 1010}
PLATE = "plate-003"
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]


def open_plate(page: Page, address: str) -> None:
    """Open one plate and wait until all of it is drawn."""
    page.goto(address)
    page.wait_for_selector("#prints img")
    page.click(f"#prints a:has-text('{PLATE}')")
    page.wait_for_selector(".curve", timeout=120_000)
    page.wait_for_function("() => document.querySelector('#plate').dataset.version")
    page.wait_for_load_state("load")
    page.wait_for_timeout(2500)  # tiles fade in
    board = page.locator(".board").bounding_box()
    assert board is not None
    page.mouse.move(board["x"] + 0.55 * board["width"], board["y"] + 0.45 * board["height"])
    page.wait_for_selector(".cursor-reading strong")
    page.wait_for_timeout(500)


def main() -> None:
    """Serve a copy of the session, open a plate, and keep what a person sees."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as name:
        session = Path(shutil.copytree(sys.argv[1], Path(name) / "afternoon"))
        command = [sys.executable, "-m", "platebench", "review", str(session)]
        server = subprocess.Popen(
            [*command, "--no-browser", "--json"], stdout=subprocess.PIPE, encoding="utf-8"
        )
        try:
            assert server.stdout is not None
            said = ""
            while not said.rstrip().endswith("}"):
                said += server.stdout.readline()
            with sync_playwright() as driver:
                browser = driver.chromium.launch(executable_path=chromium, args=FLAGS)
                page = browser.new_page(viewport=SIZE)  # type: ignore[arg-type]
                open_plate(page, json.loads(said)["address"])
                shot = page.screenshot()
                browser.close()
        finally:
            server.terminate()
            server.wait()
    with Image.open(io.BytesIO(shot)) as picture:
        picture.convert("RGB").save(PICTURE, quality=88, optimize=True)


if __name__ == "__main__":
    main()
