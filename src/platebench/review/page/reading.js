// Densities where the pointer is, or of a rectangle: asked for as fast as answers come, not faster.

import { density, make } from "./make.js";
import { ask, plateAddress } from "./server.js";

export class Readings {
  constructor(element, read) {
    this.read = read; // called with the density that is read, or null
    this.element = make("div", { class: "cursor-reading", "aria-live": "polite", hidden: true });
    element.append(this.element);
  }

  point(id, layer, x, y) {
    if (this.kept) return;
    this.want(`${plateAddress(id)}/reading?layer=${layer}&at=${x.toFixed(1)},${y.toFixed(1)}`, "");
  }

  rectangle(id, layer, box) {
    this.kept = true;
    this.want(`${plateAddress(id)}/reading?layer=${layer}&box=${box.map((value) => value.toFixed(1))}`, "mean of the rectangle");
  }

  release() {
    this.kept = false;
    this.wanted = null;
    this.released = (this.released || 0) + 1; // an answer on its way is no longer wanted
    this.hide();
  }

  away() {
    if (!this.kept) this.hide();
  }

  async want(address, what) {
    this.wanted = [address, what];
    if (this.asking) return;
    this.asking = true;
    while (this.wanted) {
      const [now, said] = this.wanted;
      this.wanted = null;
      try {
        const before = this.released;
        const reading = (await ask(now)).reading;
        if (before === this.released && (!this.kept || said)) this.tell(reading, said);
      } catch {
        this.hide();
      }
    }
    this.asking = false;
  }

  hide() {
    this.element.hidden = true;
    this.read(null);
  }

  tell(reading, what) {
    if (!reading) {
      this.hide();
      return;
    }
    this.read(reading.density ?? reading.at_least);
    const size = reading.width_mm && what ? `, ${reading.width_mm.toFixed(1)} × ${reading.height_mm.toFixed(1)} mm` : "";
    const extent = reading.low === null ? "" : `its tones go from ${density(reading.low)} to ${density(reading.high)}`;
    this.element.replaceChildren(...[
      make("div", {}, make("strong", {}, mainly(reading)), besides(reading)),
      reading.printing === null ? null : make("div", {}, `to blue light ${density(reading.printing)}`),
      what ? make("div", {}, `${what}${size}`) : null,
      what && extent ? make("div", {}, extent) : null,
      reading.clipped > 0 ? make("div", { class: "flag" }, `${Math.max(1, Math.round(reading.clipped * 100))} % clipped, left out`) : null,
      reading.calibrated ? null : make("div", {}, "without a calibration"),
    ].filter(Boolean));
    this.element.hidden = false;
  }
}

function mainly(reading) {
  if (reading.at_least !== null) return `at least ${density(reading.at_least)}`;
  return reading.density === null ? "clipped" : `D ${density(reading.density)}`;
}

function besides(reading) {
  if (reading.density === null) return "";
  if (reading.at_least === null) return ` ± ${atLeast(reading.sigma)}`;
  return `, reads ${density(reading.density)}`;
}

// An error is never shown as none.
function atLeast(sigma) {
  return Math.max(0.01, sigma).toFixed(2);
}
