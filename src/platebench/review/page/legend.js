// The scale of the density map: its colours from one end of the plate's range to the other, and what is read.

import { make } from "./make.js";

export class Legend {
  constructor(colours) {
    this.bar = make("canvas", { width: colours.length, height: 1, "aria-hidden": "true" });
    const pen = this.bar.getContext("2d");
    colours.forEach((colour, place) => { pen.fillStyle = colour; pen.fillRect(place, 0, 1, 1); });
    this.pin = make("div", { class: "pin", hidden: true });
    this.scale = make("div", { class: "scale" });
    this.element = make("div", { class: "legend", hidden: true }, make("div", { class: "bar" }, this.bar, this.pin), this.scale);
  }

  show([low, high]) {
    this.ends = [low, high];
    const steps = [0, 1, 2, 3, 4].map((n) => low + (n / 4) * (high - low));
    this.scale.replaceChildren(...steps.map((value, place) => make("span", {}, `${place ? "" : "D "}${value.toFixed(2)}`)));
  }

  mark(read) {
    this.pin.hidden = read === null || !this.ends;
    if (this.pin.hidden) return;
    const [low, high] = this.ends;
    this.pin.style.left = `${100 * Math.max(0, Math.min(1, (read - low) / (high - low)))}%`;
  }
}
