"""Make the pictures of the docs from the demo and a curve: ``python docs/make_pictures.py``."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from platebench.read.capture import read_capture

PICTURES = Path(__file__).parent / "pictures"
READINGS = Path(__file__).parents[1] / "fixtures" / "reference-emulsion.csv"
PLATE, CAPTURE = "plate-001", "HVC_0234.DNG"


def as_captured(path: Path, height: int) -> Image.Image:
    """Return a capture as it looks on the light box: green sites, brightened for the eye."""
    frame = read_capture(path)
    row, column = np.argwhere(frame.pattern == 1)[0]
    green = frame.counts[row::2, column::2].astype(np.float32) - frame.black[row, column]
    code = np.clip(green / frame.full_scale, 0, 1) ** (1 / 2.2) * 255
    width = round(height * code.shape[1] / code.shape[0])
    small = cv2.resize(code, (width, height), interpolation=cv2.INTER_AREA)
    return Image.fromarray(small.astype(np.uint8))


def draw_curve(folder: Path) -> None:
    """Draw the reference emulsion, exposed through a 21-step tablet with 10^2.5 lx s."""
    command = [sys.executable, "-m", "platebench", "curve", str(READINGS), "--quiet"]
    command += ["--exposure", "316.23", "--base-fog", "0.10", "--output", str(folder)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    (drawing,) = folder.glob("*-curve.png")
    with Image.open(drawing) as curve:
        size = (900, round(900 * curve.height / curve.width))
        curve.convert("RGB").resize(size, Image.Resampling.LANCZOS).save(PICTURES / "curve.png")


def draw_negative(session: Path) -> None:
    """Show a print negative's film as it comes from the printer, and the print to expect."""
    words = [sys.executable, "-m", "platebench", "print-negative", str(session), PLATE, "--quiet"]
    subprocess.run([*words, "--process", "cyanotype-citrate", "--ppi", "300"], check=True)
    (film,) = (session / "print-negatives").glob("*.tif")
    (proof,) = (session / "print-negatives").glob("*-proof.jpg")
    pixels = cv2.imread(str(film), cv2.IMREAD_UNCHANGED)
    film_width = round(520 * pixels.shape[1] / pixels.shape[0])
    small = cv2.resize(pixels, (film_width, 520), interpolation=cv2.INTER_AREA)
    sheet = Image.fromarray((small >> 8).astype(np.uint8)).convert("RGB")
    with Image.open(proof) as expected:
        width = round(520 * expected.width / expected.height)
        seen = expected.convert("RGB").resize((width, 520), Image.Resampling.LANCZOS)
    both = Image.new("RGB", (film_width + 30 + width, 522), (255, 255, 255))
    both.paste((150, 150, 150), (0, 0, film_width + 2, 522))  # where clear film ends
    both.paste(sheet, (1, 1))
    both.paste(seen, (film_width + 30, 1))
    both.save(PICTURES / "print-negative.jpg", quality=88)


def draw_sheets(folder: Path) -> None:
    """Show the sheets that a printer, an ink and a process are measured by, as the film lies."""
    for words in (
        ["printing-time", "--strip", str(folder), "--steps", "13"],
        ["process-chart", str(folder), "--kind", "ladder"],
        ["process-chart", str(folder), "--kind", "inks"],
        ["process-chart", str(folder)],
    ):
        command = [sys.executable, "-m", "platebench", *words, "--ppi", "200", "--quiet"]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    names = ("test-strip-13", "ink-ladder", "ink-chart", "step-chart-101-1")
    both = Image.new("RGB", (1500, 470), (255, 255, 255))
    at = 0
    for name in names:
        pixels = cv2.imread(str(folder / f"{name}.tif"), cv2.IMREAD_UNCHANGED) >> 8
        pixels = np.ascontiguousarray(pixels[:, ::-1].astype(np.uint8))  # seen through the film
        if pixels.ndim == 3:
            pixels = cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB)
        sheet = Image.fromarray(pixels).convert("RGB")
        sheet.thumbnail((400, 468), Image.Resampling.LANCZOS)
        both.paste((150, 150, 150), (at, 0, at + sheet.width + 2, sheet.height + 2))
        both.paste(sheet, (at + 1, 1))
        at += sheet.width + 16
    both.crop((0, 0, at - 14, 470)).save(PICTURES / "printing-sheets.jpg", quality=90)


def main() -> None:
    """Run the demo in a temporary folder and keep pictures of it; draw a curve."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        draw_curve(Path(name))
        draw_sheets(Path(name) / "sheets")
    with tempfile.TemporaryDirectory() as name:
        session = Path(name) / "demo"
        command = [sys.executable, "-m", "platebench", "demo", str(session), "--quiet"]
        subprocess.run(command, check=True)
        with Image.open(session / "converted" / "proof-sheet-1.png") as sheet:
            width = 1400
            size = (width, round(width * sheet.height / sheet.width))
            smaller = sheet.convert("RGB").resize(size, Image.Resampling.LANCZOS)
            smaller.save(PICTURES / "proof-sheet.jpg", quality=88)
        before = as_captured(session / CAPTURE, 460)
        with Image.open(session / "converted" / "previews" / f"{PLATE}.jpg") as positive:
            width = round(460 * positive.width / positive.height)
            after = positive.resize((width, 460), Image.Resampling.LANCZOS)
        draw_negative(session)
    gap = 24
    both = Image.new("L", (before.width + gap + after.width, 460), 255)
    both.paste(before, (0, 0))
    both.paste(after, (before.width + gap, 0))
    both.save(PICTURES / "capture-and-positive.jpg", quality=88)


if __name__ == "__main__":
    main()
