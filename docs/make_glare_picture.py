"""Draw why black reads grey, on simulated captures: ``python docs/make_glare_picture.py``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from platebench.plate.flatten import transmittance_from_counts
from platebench.plate.light import light_from_blanks
from platebench.sensitometry.plot_paper import (
    INK,
    PENCIL,
    QUIET,
    face,
    new_sheet,
    png_of,
    style_frame,
)
from platebench.synthetic import (
    SIX_LAWS,
    CameraModel,
    LightBox,
    simulate_blank,
    simulate_box_off,
    simulate_card,
)

PICTURE = Path(__file__).parent / "pictures" / "glare.png"
CAMERA = CameraModel(shape=(608, 896))
EXPOSURE_S = 1 / 16


def main() -> None:
    """Draw the card as it is captured, and the light along a line through it."""
    law = replace(SIX_LAWS["exponentials"], total=0.006, room=0.0006, room_slope=(0.0, -0.4))
    box = LightBox(stray=law, uneven=0.1)
    blank = simulate_blank(box, CAMERA, exposure_s=EXPOSURE_S, seed=1)
    light = light_from_blanks([blank])
    card = simulate_card(box, CAMERA, exposure_s=EXPOSURE_S, seed=2)
    off = simulate_box_off(box, CAMERA, exposure_s=64 * EXPOSURE_S, seed=3)
    seen, room = (transmittance_from_counts(frame, light).pixels for frame in (card, off))
    figure = new_sheet(9.0, 3.5)
    photo = figure.add_axes((0.02, 0.14, 0.4, 0.7))
    photo.imshow(-np.log10(np.maximum(seen, 1e-4)), cmap="gray_r", vmin=0.0, vmax=4.0)
    photo.axhline(CAMERA.shape[0] / 2, color=PENCIL, linewidth=1.0)
    photo.set_axis_off()
    curve = figure.add_axes((0.52, 0.17, 0.46, 0.67))
    middle = slice(CAMERA.shape[0] // 2 - 20, CAMERA.shape[0] // 2 + 20)
    along = np.linspace(0, 1, CAMERA.shape[1] // 8)
    for pixels, colour, style in ((seen, INK, "-"), (room, PENCIL, "--")):
        line = pixels[middle].mean(axis=0).reshape(-1, 8).mean(axis=1)
        curve.plot(along, -np.log10(np.maximum(line, 1e-6)), style, color=colour, linewidth=1.2)
    small = {"fontproperties": face(8.5, light=True), "color": QUIET}
    curve.text(0.5, 2.3, "the card, which lets nothing through", ha="center", **small)
    curve.text(0.5, 3.6, "the light box off: the room alone", ha="center", **small)
    curve.set_ylim(4.0, -0.1)
    curve.set_xlim(0, 1)
    curve.set_xlabel("along the red line", fontproperties=face(9.5), color=INK)
    curve.set_ylabel("density read", fontproperties=face(9.5), color=INK)
    style_frame(curve)
    title = {"fontproperties": face(10.5), "color": INK}
    figure.text(0.02, 0.9, "A large opaque card on the bare box (darks brightened)", **title)
    figure.text(0.52, 0.9, "What the camera reads of it", **title)
    PICTURE.write_bytes(png_of(figure))


if __name__ == "__main__":
    main()
