"""A real browser for tests of the page: headless Chromium, driven as a person would."""

from __future__ import annotations

import shutil
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
IN_A_BROWSER = [
    pytest.mark.big,
    pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium"),
]
FLAGS = [
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update"),
]


def open_plate(page: Any, name: str) -> None:
    """Open a plate and wait until its figures are there."""
    page.click(f"#prints a:has-text('{name}')")
    page.wait_for_selector(".curve")
    page.wait_for_function("() => document.querySelector('#plate').dataset.version")
