// The plate's densities as a histogram, and the tone each prints as drawn over them. Two points can
// be dragged: the density that prints as the deepest tone, and the one that prints as the lightest.

import { density, drawn, fixed } from "./make.js";

const WIDTH = 360, HEIGHT = 214, LEFT = 22, RIGHT = 22, BOTTOM = 44, TOP = 20;
const STOP = Math.log10(2); // of exposure, as a density
const LETTER = 8; // width of one, at most
export const STOPS = [-5, 5], CONTRASTS = [0.4, 2.5];

// The paper keeps the tone of the middle density. A tone printed at density d without a correction is printed
// at middle + STOP * stops - (middle - d) / contrast with one.
export function pointsOf(told, { stops, contrast }) {
  const middle = (told.black_at + told.white_at) / 2;
  return [told.black_at, told.white_at].map((d) => middle + STOP * stops - (middle - d) / contrast);
}

export function printOf(told, [shadow, highlight]) {
  const within = (value, [low, high]) => Math.max(low, Math.min(high, value));
  const middle = (told.black_at + told.white_at) / 2;
  const contrast = within(Number(((told.white_at - told.black_at) / Math.max(highlight - shadow, 0.01)).toFixed(2)), CONTRASTS);
  const stops = ((shadow + highlight) / 2 - middle) / STOP;
  return { stops: within(Math.round(stops * 20) / 20, STOPS), contrast };
}

export class Curve {
  constructor(heard) {
    this.heard = heard; // { tried(print), decided(print) }
    this.element = drawn("svg", { class: "curve", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "group" });
    this.points = ["deepest tone", "lightest tone"].map((name, place) => this.handle(name, place));
  }

  // Draw a plate's histogram; `print` are the stops and contrast its curve was told for.
  show(told, print) {
    this.told = told;
    this.base = print;
    this.most = Math.max(1.5, Math.min(3.5, Math.ceil((told.d_max + 0.25) * 2) / 2));
    this.element.setAttribute("aria-label", `Histogram of density. ${told.fog_seen ? "Base plus fog" : "Thinnest tone"} ${density(told.base_fog)}, `
      + `densest tone ${density(told.d_max)}, range ${density(told.density_range)}.`);
    const most = Math.max(...told.counts, 1);
    const outline = told.counts.map((count, bin) => [told.bins_from + (bin + 0.5) * told.bin, count])
      .filter(([d]) => d >= 0 && d <= this.most).map(([d, count]) => `${this.across(d)},${up(count / most)}`);
    this.curve = drawn("polyline", { class: "tones" });
    this.reading = drawn("line", { class: "reading", y1: up(0), y2: TOP, visibility: "hidden" });
    const named = [[told.base_fog, told.fog_seen ? "b+f" : "thinnest"], [told.d_max, "Dmax"]];
    this.element.replaceChildren(
      drawn("polygon", { class: "share", points: `${this.across(0)},${up(0)} ${outline.join(" ")} ${this.across(this.most)},${up(0)}` }),
      ...this.marks(named), this.curve, this.reading,
      drawn("line", { class: "axis", x1: LEFT, x2: WIDTH - RIGHT, y1: up(0), y2: up(0) }),
      ...this.scale(), ...this.points,
    );
    this.move(print);
  }

  scale() {
    const parts = [];
    for (let d = 0; d <= this.most; d += 0.5) {
      parts.push(drawn("line", { class: "axis", x1: this.across(d), x2: this.across(d), y1: up(0), y2: up(0) + 4 }),
        words(this.across(d), HEIGHT - 25, d.toFixed(1)));
    }
    const upright = (x, text) => words(0, 0, text, { transform: `translate(${x} ${up(0.5)}) rotate(-90)` });
    return [...parts, words(WIDTH / 2, HEIGHT - 5, "density"), upright(14, "how much of the plate"), upright(WIDTH - 6, "black – white")];
  }

  // Lines at densities, their names beside them and apart from each other.
  marks([[first, name], [second, other]]) {
    const [a, b] = [this.across(first), this.across(second)];
    const start = Math.max(LEFT, Math.min(a - (name.length * LETTER) / 2, WIDTH - RIGHT - (name.length + other.length + 1) * LETTER));
    const end = Math.min(WIDTH - RIGHT - other.length * LETTER, Math.max(b - (other.length * LETTER) / 2, start + (name.length + 1) * LETTER));
    return [[a, start, name], [b, end, other]].flatMap(([x, at, text]) => [
      drawn("line", { class: "mark", x1: x, x2: x, y1: up(0), y2: TOP }), words(at, TOP - 5, text, { "text-anchor": "start" })]);
  }

  // Show the curve and its points as another exposure and contrast make them.
  move(print) {
    if (!this.told) return;
    this.print = print;
    const { told, base } = this, middle = (told.black_at + told.white_at) / 2, tones = told.curve;
    const at = (d) => {
      const was = middle + STOP * base.stops - (print.contrast / base.contrast) * (middle + STOP * print.stops - d);
      const place = Math.max(0, Math.min(tones.length - 1, (was - tones[0][0]) / (tones[1][0] - tones[0][0])));
      const low = Math.floor(place), high = Math.ceil(place);
      return tones[low][1] + (place - low) * (tones[high][1] - tones[low][1]);
    };
    const steps = Array.from({ length: 101 }, (_, n) => (n / 100) * this.most);
    if (tones.length > 1) this.curve.setAttribute("points", steps.map((d) => `${this.across(d)},${up(at(d) / 255)}`).join(" "));
    pointsOf(told, print).forEach((d, place) => {
      this.points[place].setAttribute("transform", `translate(${this.across(d)} ${up(place === 0 ? 0.04 : 0.96)})`);
      for (const [key, value] of [["now", fixed(d, 2)], ["min", "0"], ["max", this.most], ["text", `density ${fixed(d, 2)}`]]) {
        this.points[place].setAttribute(`aria-value${key}`, value);
      }
    });
  }

  handle(name, place) {
    const point = drawn("g", { class: "point", role: "slider", tabindex: 0, "aria-label": `density that prints as the ${name}`, "data-point": place },
      drawn("circle", { class: "grip", r: 16 }), drawn("circle", { r: 7 }));
    const to = (d) => {
      const points = pointsOf(this.told, this.print);
      points[place] = d;
      if (points[1] - points[0] < 0.1) return;
      this.move(printOf(this.told, points));
      this.heard.tried(this.print);
    };
    point.addEventListener("pointerdown", (event) => { event.preventDefault(); point.focus(); point.setPointerCapture(event.pointerId); this.held = place; });
    point.addEventListener("pointermove", (event) => { if (this.held === place) to(this.densityAt(event.clientX)); });
    const letGo = () => { if (this.held === place) { this.held = null; this.heard.decided(this.print); } };
    point.addEventListener("pointerup", letGo);
    point.addEventListener("pointercancel", letGo);
    point.addEventListener("keydown", (event) => {
      const by = { ArrowRight: 0.02, ArrowUp: 0.02, ArrowLeft: -0.02, ArrowDown: -0.02, PageUp: 0.2, PageDown: -0.2 }[event.key];
      if (!by) return;
      event.preventDefault();
      to(pointsOf(this.told, this.print)[place] + by);
      clearTimeout(this.soon);
      this.soon = setTimeout(() => this.heard.decided(this.print), 400);
    });
    return point;
  }

  densityAt(clientX) {
    const box = this.element.getBoundingClientRect();
    return (((clientX - box.left) / box.width) * WIDTH - LEFT) / (WIDTH - LEFT - RIGHT) * this.most;
  }

  across(d) {
    return fixed(LEFT + (Math.min(Math.max(d, 0), this.most) / this.most) * (WIDTH - LEFT - RIGHT), 1);
  }

  // The density that is read, where it lies in the histogram; null where none is.
  mark(read) {
    if (!this.reading) return;
    this.reading.setAttribute("visibility", read === null ? "hidden" : "visible");
    if (read === null) return;
    for (const end of ["x1", "x2"]) this.reading.setAttribute(end, this.across(read));
  }
}

function up(share) {
  return fixed(HEIGHT - BOTTOM - share * (HEIGHT - BOTTOM - TOP), 1);
}

function words(x, y, text, more = {}) {
  const element = drawn("text", { x, y, "text-anchor": "middle", ...more });
  element.textContent = text;
  return element;
}
