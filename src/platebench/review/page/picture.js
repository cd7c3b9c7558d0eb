// The plate's size by caliper, and the part that is printed and shared: chosen, drawn or typed in, and shown.

import { fixed, make } from "./make.js";
import { ask, plateAddress } from "./server.js";

const PARTS = [["off", "the whole plate"], ["rebate", "within the rebate"], ["box", "a rectangle"]];
const SIDES = ["left", "top", "width", "height"];

export class Picture {
  // desk: { id, layer, board, change(changes), setLayer(name), told }
  constructor(desk) {
    this.desk = desk;
    this.drawing = false;
    this.part = make("select", { onchange: () => desk.change({ picture: this.part.value }) },
      ...PARTS.map(([value, text]) => make("option", { value }, text)));
    this.draw = make("button", { type: "button", "aria-pressed": "false", onclick: () => this.toggle() }, "Draw it");
    this.sides = SIDES.map((side) => make("input", { type: "number", min: 0, max: 2000, step: 0.1, "aria-label": `${side} of the rectangle, mm`, onchange: () => this.typed() }));
    this.cut = make("input", { type: "checkbox", onchange: () => desk.change({ crop_positives: this.cut.checked }) });
    this.size = make("p", { class: "facts" });
    this.caliper = make("input", { type: "number", min: 0, max: 2000, step: 0.1, onchange: () => desk.change({ long_mm: Number(this.caliper.value) || null }) });
    this.element = make("div", {}, make("h3", {}, "Size and picture"),
      make("label", { class: "field" }, "Long side by caliper, mm", this.caliper),
      make("label", { class: "field" }, "Printed and shared", this.part),
      make("div", { class: "row" }, this.draw),
      make("div", { class: "sides", role: "group", "aria-label": "Rectangle, mm from the plate's top left corner in the capture" },
        ...this.sides.map((input, place) => make("label", { class: "field" }, SIDES[place], input))),
      this.size, make("label", {}, this.cut, "cut positives to it too"));
  }

  show(plate) {
    const settings = plate.settings;
    this.plate = plate;
    if (document.activeElement !== this.caliper) this.caliper.value = settings.long_mm || "";
    this.part.value = settings.picture;
    this.cut.checked = settings.crop_positives;
    this.cut.disabled = settings.picture === "off";
    this.sides.forEach((input, place) => {
      input.disabled = settings.picture !== "box";
      if (document.activeElement !== input) input.value = settings.picture_box_mm[place] ?? "";
    });
    const size = plate.picture && plate.picture.size_mm;
    this.size.textContent = size ? `${fixed(size[0], 1)} × ${fixed(size[1], 1)} mm` : "";
    this.place();
  }

  // The rest of the plate is dimmed.
  place() {
    const { board, layer } = this.desk;
    const box = this.plate && this.plate.id === this.desk.id && layer !== "captured" && this.plate.picture && this.plate.picture.box;
    if (!box || !board || !board.item || board.layer !== layer) return this.clear();
    if (!this.frame) {
      this.frame = make("div", { class: "picture", "aria-hidden": "true" });
      board.element.append(this.frame);
    }
    const [left, top, right, bottom] = box;
    const a = board.toBoard(left - 0.5, top - 0.5), b = board.toBoard(right - 0.5, bottom - 0.5);
    Object.assign(this.frame.style, { left: `${a.x}px`, top: `${a.y}px`, width: `${b.x - a.x}px`, height: `${b.y - a.y}px` });
  }

  clear() {
    if (this.frame) this.frame.remove();
    this.frame = null;
  }

  toggle(on = !this.drawing) {
    if (on && this.desk.layer === "captured") this.desk.setLayer("positive");
    this.drawing = on;
    this.desk.board.measuring = on;
    this.draw.setAttribute("aria-pressed", on);
    if (!on) this.desk.board.clearFrame();
  }

  // A rectangle was drawn on the positive, [top, left, bottom, right] in its pixels.
  async drawn(box) {
    const id = this.desk.id;
    this.toggle(false);
    try {
      const told = await ask(`${plateAddress(id)}/picture?box=${box.map((value) => value.toFixed(1))}`);
      if (id === this.desk.id) this.desk.change({ picture: "box", picture_box_mm: told.picture_box_mm });
    } catch (error) {
      this.desk.told.say(error.message, true);
    }
  }

  typed() {
    const box = this.sides.map((input) => Number(input.value));
    if (box[2] >= 1 && box[3] >= 1) this.desk.change({ picture_box_mm: box });
  }
}
