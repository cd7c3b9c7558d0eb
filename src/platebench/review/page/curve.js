// The plate's densities as a histogram, with the tone curve drawn over them.

import { density, drawn } from "./make.js";

const WIDTH = 320, HEIGHT = 170, LEFT = 6, BOTTOM = 22, TOP = 14, MOST = 3.5;
const WIDE = { "b+f": 18, thinnest: 42, Dmax: 28 }; // in the small type, a little over

export function curveOf(told) {
  const across = (d) => LEFT + (Math.min(Math.max(d, 0), MOST) / MOST) * (WIDTH - 2 * LEFT);
  const up = (share) => HEIGHT - BOTTOM - share * (HEIGHT - BOTTOM - TOP);
  const label = `Histogram of density. ${told.fog_seen ? "Base plus fog" : "Thinnest tone"} ${density(told.base_fog)}, densest tone ${density(told.d_max)}, `
    + `range ${density(told.density_range)}.`;
  const picture = drawn("svg", { class: "curve", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": label });
  const most = Math.max(...told.counts, 1);
  const points = told.counts.map((count, bin) => [told.bins_from + (bin + 0.5) * told.bin, count])
    .filter(([d]) => d >= 0 && d <= MOST)
    .map(([d, count]) => `${across(d).toFixed(1)},${up(count / most).toFixed(1)}`);
  picture.append(drawn("polygon", {
    points: `${across(0)},${up(0)} ${points.join(" ")} ${across(MOST)},${up(0)}`, fill: "#b9b6ae",
  }));
  const room = mark(picture, across(told.base_fog), up, told.fog_seen ? "b+f" : "thinnest", LEFT);
  mark(picture, across(told.d_max), up, "Dmax", room);
  picture.append(drawn("polyline", {
    points: told.curve.map(([d, value]) => `${across(d).toFixed(1)},${up(value / 255).toFixed(1)}`).join(" "),
    fill: "none", stroke: "#1d1c1a", "stroke-width": 1.5,
  }));
  picture.append(drawn("line", { x1: LEFT, x2: WIDTH - LEFT, y1: up(0), y2: up(0), stroke: "#1d1c1a", "stroke-width": 0.7 }));
  for (let d = 0; d <= MOST; d += 0.5) {
    const text = drawn("text", { x: across(d), y: HEIGHT - 8, "text-anchor": d === 0 ? "start" : d === MOST ? "end" : "middle" });
    text.textContent = d.toFixed(1);
    picture.append(drawn("line", { x1: across(d), x2: across(d), y1: up(0), y2: up(0) + 3, stroke: "#1d1c1a", "stroke-width": 0.7 }), text);
  }
  return picture;
}

// A line with its name, left of it where there is room from `from` on, else right of it; returns where the name ends.
function mark(picture, x, up, name, from) {
  const wide = WIDE[name];
  const most = WIDTH - wide;
  const left = x - 2 - wide >= from && name !== "Dmax" ? x - 2 - wide : Math.min(most, Math.max(x + 2, from));
  const text = drawn("text", { x: left, y: TOP - 4 });
  text.textContent = name;
  picture.append(drawn("line", { x1: x, x2: x, y1: up(0), y2: TOP - 2, stroke: "#7a2e12", "stroke-width": 0.8 }), text);
  return left + wide + 4;
}
