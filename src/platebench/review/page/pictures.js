// Several pictures on one plate: draw each on the capture, give it a caption and a tone.

import { Corners } from "./corners.js";
import { drawn, make } from "./make.js";

const BEGIN = [0.3, 0.3, 0.4, 0.4]; // of a picture just added: left, top, width, height

export class Pictures {
  constructor(desk) {
    this.desk = desk;
    this.board = desk.board;
    this.list = make("div");
    Object.assign(this.list.style, { display: "grid", gap: "14px" });
    const add = make("button", { type: "button", onclick: () => this.add() }, "Draw a picture");
    this.element = make("div", { class: "pictures", role: "group", "aria-label": "Pictures on the plate" },
      make("h3", {}, "Pictures on the plate"), this.list, make("div", { class: "row" }, add));
    this.outlines = drawn("svg", { class: "outline", "aria-hidden": "true" });
    this.board.element.append(this.outlines);
    for (const moved of ["animation", "resize", "open", "update-viewport"]) this.board.viewer.addHandler(moved, () => this.place());
    this.board.viewer.addHandler("close", () => { // a picture that is only made anew keeps its handles
      const { plate, layer } = this.desk;
      if (layer !== "captured" || !plate || !this.plate || plate.id !== this.plate.id) this.stop();
      this.place();
    });
  }

  // What a plate's settings and the server say; a line that is being written in stays.
  renew(plate) {
    const another = !this.plate || this.plate.id !== plate.id;
    if (another) this.stop();
    this.plate = plate;
    this.pictures = plate.settings.pictures.map(given);
    if (another || !this.list.contains(document.activeElement) || this.list.children.length !== this.pictures.length) {
      this.list.replaceChildren(...this.pictures.map((picture, place) => this.line(picture, place)));
    }
    if (this.handles) {
      const corners = plate.picture_corners[this.moving];
      if (corners) this.handles.renew({ id: plate.id, corners });
      else this.stop();
    }
    if (this.toBegin !== undefined && plate.picture_corners[this.toBegin]) this.move(this.toBegin);
    this.sayMoving();
    this.place();
  }

  line(picture, place) {
    const name = picture.id;
    const set = (key, value) => this.change(place, { [key]: value });
    const caption = make("input", { type: "text", maxlength: 500, value: picture.caption || "", placeholder: "caption", "aria-label": `Caption of picture ${name}`,
      onchange: () => set("caption", caption.value.replace(/\s+/g, " ").trim()) });
    const tone = make("select", { "aria-label": `Tone of picture ${name}`, onchange: () => set("tone", tone.value) },
      ...["", ...this.desk.told.session().tones].map((one) => make("option", { value: one, selected: one === (picture.tone || "") }, one || "the plate's tone")));
    return make("div", { class: "row", "data-picture": name }, make("span", {}, name), caption, tone,
      make("button", { type: "button", class: "move", "aria-pressed": "false", "aria-label": `Move the corners of picture ${name}`, onclick: () => this.toggle(place) }, "Move"),
      make("button", { type: "button", "aria-label": `Remove picture ${name}`, onclick: () => this.remove(place) }, "Remove"));
  }

  add() {
    if (!this.plate) return;
    const names = this.pictures.map((picture) => picture.id);
    let number = this.pictures.length + 1;
    while (names.includes(String(number))) number += 1;
    this.stop();
    this.toBegin = this.pictures.length;
    this.desk.change({ pictures: [...this.pictures, { id: String(number), box: BEGIN }] });
  }

  remove(place) {
    this.stop();
    const left = this.pictures.filter((_, other) => other !== place);
    this.desk.change({ pictures: left.length ? left : null });
  }

  change(place, changes) {
    const pictures = this.pictures.map((picture, other) => (other === place ? given({ ...picture, ...changes }) : picture));
    return this.desk.change({ pictures });
  }

  toggle(place) {
    if (this.handles && this.moving === place) this.stop();
    else this.move(place);
    this.sayMoving();
    this.place();
  }

  move(place) {
    this.stop();
    this.desk.stopCorners();
    if (this.desk.layer !== "captured") this.desk.setLayer("captured");
    const begin = () => {
      const corners = this.plate && this.plate.picture_corners[place];
      if (this.desk.layer !== "captured" || !corners || this.handles) return;
      this.moving = place;
      this.handles = new Corners(this.board, { id: this.plate.id, corners }, (moved) => this.moved(moved));
      this.handles.handles[0].focus();
      this.sayMoving();
    };
    const { board, plate } = this;
    if (board.item && board.layer === "captured" && board.item.source.width === plate.layers.captured.width) begin();
    else board.viewer.addOnceHandler("open", begin);
  }

  stop() {
    this.toBegin = undefined;
    if (!this.handles) return;
    this.handles.remove();
    this.handles = null;
    this.moving = undefined;
    this.sayMoving();
  }

  // A rectangle stays one: the corner that was moved takes its neighbours along.
  moved(corners) {
    const places = corners.map(([row, column]) => onPlate(this.plate.corners, column, row));
    const picture = this.pictures[this.moving];
    if (picture.outline) return this.change(this.moving, { outline: places });
    const before = this.plate.picture_corners[this.moving];
    const far = corners.map(([row, column], place) => Math.hypot(row - before[place][0], column - before[place][1]));
    const held = far.indexOf(Math.max(...far)), still = (held + 2) % 4;
    const [left, right] = [places[held][0], places[still][0]].sort((a, b) => a - b);
    const [top, bottom] = [places[held][1], places[still][1]].sort((a, b) => a - b);
    return this.change(this.moving, { box: [left, top, right - left, bottom - top].map(short), box_mm: null });
  }

  sayMoving() {
    this.list.querySelectorAll("button.move").forEach((button, place) => button.setAttribute("aria-pressed", Boolean(this.handles) && this.moving === place));
  }

  place() {
    const shown = this.plate && this.desk.layer === "captured" && this.desk.plate === this.plate && this.board.item;
    const lines = [];
    (shown ? this.plate.picture_corners : []).forEach((corners, place) => {
      if (!corners) return;
      if (this.handles) { if (place === this.moving) { this.handles.place(); return; } }
      const points = corners.map(([row, column]) => this.board.toBoard(column, row));
      if (points.some((point) => !point)) return;
      const text = points.map((point) => `${point.x},${point.y}`).join(" ");
      lines.push(drawn("polygon", { class: "under", points: text }), drawn("polygon", { points: text }));
    });
    this.outlines.replaceChildren(...lines);
  }
}

// What a person set of a picture.
function given(picture) {
  return Object.fromEntries(Object.entries(picture).filter(([, value]) => value !== null && value !== "" && !(Array.isArray(value) && !value.length)));
}

const short = (value) => Number(value.toFixed(5));

// Where a place of the capture lies on the plate, as shares of its width and height: the inverse
// of the map from the unit square to four corners (Heckbert, "Fundamentals of Texture Mapping and
// Image Warping", 1989, section 2.2.3; from memory).
export function onPlate(corners, x, y) {
  const [[y0, x0], [y1, x1], [y2, x2], [y3, x3]] = corners;
  const [dx1, dx2, dy1, dy2] = [x1 - x2, x3 - x2, y1 - y2, y3 - y2];
  const [sx, sy] = [x0 - x1 + x2 - x3, y0 - y1 + y2 - y3];
  const by = dx1 * dy2 - dx2 * dy1;
  const g = (sx * dy2 - dx2 * sy) / by, h = (dx1 * sy - sx * dy1) / by;
  const [a, b, d, e] = [x1 - x0 + g * x1, x3 - x0 + h * x3, y1 - y0 + g * y1, y3 - y0 + h * y3];
  // (a u + b v + x0) = x (g u + h v + 1), and the same down.
  const [m, n, p, q] = [a - g * x, b - h * x, d - g * y, e - h * y];
  const whole = m * q - n * p;
  const inside = (value) => short(Math.min(1, Math.max(0, value)));
  return [inside(((x - x0) * q - n * (y - y0)) / whole), inside((m * (y - y0) - (x - x0) * p) / whole)];
}
