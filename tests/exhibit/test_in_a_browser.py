"""The exhibit in Chromium, opened from the disk: pictures, search, the keyboard, axe-core."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from platebench.exhibit.gather import gather_plates
from platebench.exhibit.write_site import write_exhibit
from platebench.plate.densities import PlateDensities
from platebench.sensitometry.curve_file import load_curves
from platebench.sensitometry.curve_job import curves_of, write_curves

from ..sensitometry.step_tables import MINUTES, write_family
from .test_exhibit import EVIL, WISHES, put_plate

playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.big,
    pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium"),
]
AXE = Path(__file__).parents[1] / "review" / "axe" / "axe.min.js"
RULES = "['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice']"


def violations(page: Any) -> list[str]:
    page.add_script_tag(path=str(AXE))
    found = page.evaluate(f"axe.run(document, {{runOnly: {RULES}}}).then(r => r.violations)")
    return [f"{one['id']}: {[node['html'] for node in one['nodes']]}" for one in found]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_from_the_disk(tmp_path: Path, width: int, scheme: str) -> None:
    session = tmp_path / "shelf"
    write_curves(
        curves_of(write_family(tmp_path), minutes=MINUTES, batch="14"), tmp_path / "curves"
    )
    seen = PlateDensities(
        base_fog=0.1, base_fog_from="rebate", d_min=0.3, d_max=1.1, density_range=0.8
    )
    put_plate(session, "one", title="Mill & weir", batch="14", develop_s=300.0, densities=seen)
    wishes = replace(WISHES, curves=load_curves([tmp_path / "curves" / "curves.json"]))
    put_plate(session, "two", title=EVIL, seed=1)
    write_exhibit(gather_plates([session]), tmp_path / "site", wishes)
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": width, "height": 850}, color_scheme=scheme)
        complaints: list[str] = []
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("dialog", lambda dialog: complaints.append(dialog.message))
        page.goto((tmp_path / "site" / "index.html").as_uri())
        assert page.locator("#wall > li:visible").count() == 2
        assert violations(page) == []
        overflow = "document.documentElement.scrollWidth > innerWidth"
        assert not page.evaluate(overflow)
        page.fill("#words", "weir mill")
        assert page.locator("#wall > li:visible").count() == 1
        page.click("#wall > li:visible a")
        page.wait_for_selector("#deep[data-loaded=true] canvas")
        assert violations(page) == []
        assert not page.evaluate(overflow)
        assert page.locator("figure svg polyline").count() == 2
        page.click("#nearer")
        page.click("a[rel=next]")
        page.wait_for_selector("h1:has-text('script')")
        browser.close()
    assert complaints == []
