"""Print six invented plates by each tone profile: ``python docs/make_tone_picture.py``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platebench.core.installed import profiles_folder
from platebench.synthetic.scene import make_scene
from platebench.tone.profile import display_table
from platebench.tone.profile_file import load_tone

PICTURE = Path(__file__).parent / "pictures" / "tone-ladder.jpg"
PROFILES = ("softer", "neutral", "harder")
# A scene and the density range of its plate: from next to nothing to far beyond any paper.
PLATES = (
    ("fern", 0.3),
    ("facade", 0.5),
    ("still life", 0.9),
    ("landscape", 1.3),
    ("shore", 2.0),
    ("cup", 2.8),
)
BASE_FOG = 0.2
WIDE, TALL, GAP, MARGIN = 240, 192, 12, 90


def plate_density(scene: str, log_range: float) -> NDArray[np.float64]:
    """Return an evenly developed plate of a scene: density as log luminance, to its range."""
    log_light = np.log10(np.maximum(make_scene(scene, (TALL, WIDE)), 1e-3))
    thin, dense = np.quantile(log_light, [0.002, 0.998])
    return BASE_FOG + log_range * np.asarray((log_light - thin) / (dense - thin), np.float64)


def main() -> None:
    """Draw one row a profile, one column a plate."""
    size = (MARGIN + len(PLATES) * (WIDE + GAP), 40 + len(PROFILES) * (TALL + GAP))
    sheet = Image.new("L", size, 255)
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(20)
    for column, (scene, log_range) in enumerate(PLATES):
        density = plate_density(scene, log_range)
        left = MARGIN + column * (WIDE + GAP)
        pen.text((left, 8), f"range {log_range:.1f} D", 0, font)
        for row, name in enumerate(PROFILES):
            tone = load_tone(name, [profiles_folder() / "tone"])
            ends = {"base_fog": BASE_FOG, "d_max": BASE_FOG + log_range}
            codes = display_table(10.0**-density, tone, **ends) >> 8
            top = 40 + row * (TALL + GAP)
            sheet.paste(Image.fromarray(codes.astype(np.uint8)), (left, top))
            pen.text((6, top + TALL // 2 - 12), name, 0, font)
    sheet.save(PICTURE, quality=88)


if __name__ == "__main__":
    main()
