// One plate: its picture, its densities, and everything that can be put right about it.

import { Board } from "./board.js";
import { Compare } from "./compare.js";
import { Corners } from "./corners.js";
import { CONTRASTS, Curve, STOPS } from "./curve.js";
import { Legend } from "./legend.js";
import { density, make } from "./make.js";
import { Picture } from "./picture.js";
import { Pictures } from "./pictures.js";
import { Readings } from "./reading.js";
import { ask, Gone, plateAddress } from "./server.js";

const LAYERS = [["positive", "Positive"], ["captured", "As captured"], ["density", "Density"], ["negative", "Negative"]];

// What a view does not show: a change of it shows the positive instead, so that it is seen.
const PRINTED = ["tone", "printing", "print_stops", "print_contrast"];
const UNSEEN = { positive: [], density: PRINTED, negative: PRINTED, captured: [...PRINTED, "rotate", "emulsion", "crop", "straighten", "picture", "picture_box_mm"] };
const SIGNS = {
  captured: "As captured: neither turned nor printed. 1 shows the positive.",
  density: "Density in false colours. 1 shows the positive.",
  negative: "The plate as it lies on the light, straightened. 1 shows the positive.",
  corners: "As captured: move the corners. Esc when done.",
};

const PASSING_MS = 120;

export class PlateDesk {
  constructor(section, told) {
    this.section = section;
    this.told = told; // { say(text, failed), change(changes by id), changed(), session() }
    this.layer = "positive";
    this.board = null;
  }

  async open(id) {
    if (!this.board) this.build();
    if (this.id !== id) {
      if (document.activeElement === this.note) this.note.blur(); // saves it, for the plate it is about
      this.id = id;
      this.put(id, "opening…", []);
      this.board.showFirst(this.line);
    }
    // Plates that are only passed through are not read.
    await new Promise((go) => setTimeout(go, PASSING_MS));
    if (this.id === id) await this.renew();
  }

  async renew() {
    const id = this.id;
    if (!id) return;
    try {
      const plate = await ask(plateAddress(id));
      if (id !== this.id) return;
      const before = this.plate && this.plate.settings;
      this.plate = plate;
      const unseen = before && UNSEEN[this.layer].some((key) => String(before[key]) !== String(plate.settings[key]));
      if (unseen) this.setLayer("positive");
      else this.show();
    } catch (error) {
      if (id === this.id && !(error instanceof Gone)) this.put(id, "", [error.message]);
    }
  }

  // Nothing of another plate stays, neither its picture nor its settings.
  put(id, facts, faults) {
    this.plate = null;
    this.compare.forget();
    this.endCorners();
    this.readings.release();
    this.picture.clear();
    this.board.blank();
    this.heading.textContent = id;
    this.facts.textContent = facts;
    this.flags.replaceChildren(...faults.map((fault) => make("p", { class: "flag" }, fault)));
    this.curveBox.replaceChildren();
    this.legend.element.hidden = true;
    this.settings.disabled = true;
    if (this.line) this.showRemarks(this.line.settings);
    delete this.section.dataset.version;
  }

  // The plate as the session lists it.
  get line() {
    return this.told.session().plates.find((plate) => plate.id === this.id);
  }

  // What Esc leaves before it leaves the plate; false where there is nothing.
  leave() {
    if (this.corners) this.endCorners();
    else if (this.compare.end()) return true;
    else if (this.board.drawn) this.board.clearFrame();
    else return false;
    return true;
  }

  close() {
    this.stopCorners();
    if (this.board) { this.compare.end(); this.board.close(); }
    this.board = null;
    this.layer = "positive";
    this.id = null;
    this.plate = null;
    this.section.replaceChildren();
  }

  build() {
    const board = make("div", { class: "board", role: "group", "aria-label": "Picture of the plate" });
    this.side = make("div", { class: "side", role: "group", "aria-label": "Settings of the plate" });
    const strip = make("div", { class: "strip" });
    this.boards = make("div", { class: "boards" }, board);
    this.section.replaceChildren(make("div", { class: "view" }, this.boards, strip), this.side);
    this.board = new Board(board, {
      point: (layer, x, y) => this.readings.point(this.id, layer, x, y),
      away: () => this.readings.away(),
      rectangle: (layer, box) => (this.picture.drawing ? this.picture.drawn(box) : this.readings.rectangle(this.id, layer, box)),
      moved: () => { if (this.corners) this.corners.place(); this.picture.place(); },
      released: () => this.readings.release(),
    });
    this.curve = new Curve({ tried: (print) => this.tryPrint(print), decided: (print) => this.change({ print_stops: print.stops, print_contrast: print.contrast }) });
    this.legend = new Legend(this.told.session().colours);
    this.readings = new Readings(strip, (read) => { this.curve.mark(read); this.legend.mark(read); });
    this.picture = new Picture(this);
    this.sign = make("p", { class: "sign", role: "status", hidden: true });
    strip.append(this.sign, this.legend.element);
    this.compare = new Compare(this);
    this.buildSide();
  }

  buildSide() {
    this.heading = make("h2", { id: "plate-id" });
    this.facts = make("p", { class: "facts" });
    this.flags = make("div", { role: "note" });
    this.layers = LAYERS.map(([name, text], place) => make("label", {},
      make("input", { type: "radio", name: "layer", value: name, checked: name === this.layer, onchange: () => this.setLayer(name) }),
      `${text} (${place + 1})`));
    this.measure = make("button", { type: "button", "aria-pressed": "false", onclick: () => this.toggleMeasuring() }, "Measure a rectangle");
    this.curveBox = make("div");
    this.moveCorners = make("button", { type: "button", "aria-pressed": "false", onclick: () => this.toggleCorners() }, "Move the corners");
    this.findCorners = make("button", { type: "button", onclick: () => this.change({ corners: null }) }, "Find them again");
    this.tone = make("select", { onchange: () => this.change({ tone: this.tone.value }) });
    this.stops = make("input", { type: "range", min: STOPS[0], max: STOPS[1], step: 0.05, oninput: () => this.tryPrint(), onchange: () => this.change({ print_stops: Number(this.stops.value) }) });
    this.stopsText = make("span");
    this.contrast = make("input", { type: "range", min: CONTRASTS[0], max: CONTRASTS[1], step: 0.01, oninput: () => this.tryPrint(), onchange: () => this.change({ print_contrast: Number(this.contrast.value) }) });
    this.contrastText = make("span");
    this.printing = make("select", { onchange: () => this.change({ printing: this.printing.value }) },
      make("option", { value: "each" }, "for this plate alone"), make("option", { value: "shared" }, "shared by the session"));
    this.checked = make("input", { type: "checkbox", onchange: () => this.change({ checked: this.checked.checked }) });
    this.format = make("select", { onchange: () => this.change({ format: this.format.value }) });
    this.skip = make("input", { type: "checkbox", onchange: () => this.change({ skip: this.skip.checked }) });
    this.note = make("textarea", { maxlength: 500, onchange: () => this.change({ note: this.note.value.replace(/\s+/g, " ").trim() }) });
    this.settings = make("fieldset", { class: "settings", disabled: true, "aria-labelledby": "plate-id" },
      make("fieldset", { class: "layers" }, make("legend", { class: "unseen" }, "Show"), ...this.layers),
      make("div", {}, make("h3", {}, "Densities and tone"), make("div", { class: "tone" }, this.curveBox, make("div", { class: "controls" },
        make("label", { class: "field" }, make("span", {}, "Printing exposure: ", this.stopsText), this.stops),
        make("label", { class: "field" }, make("span", {}, "Contrast: ", this.contrastText), this.contrast),
        make("div", { class: "pair" }, make("label", { class: "field" }, "Tone", this.tone), make("label", { class: "field" }, "Exposure set", this.printing))))),
      make("div", {}, make("h3", {}, "Compare"), this.compare.element),
      make("div", { class: "row" }, this.measure),
      make("label", { class: "field" }, "Plate size", this.format),
      make("div", {}, make("h3", {}, "Corners"), make("div", { class: "row" }, this.moveCorners, this.findCorners)),
      this.picture.element,
      (this.pictures = new Pictures(this)).element,
      make("div", {}, make("h3", {}, "Turn"), make("div", { class: "row" },
        make("button", { type: "button", onclick: () => this.turn(-90), "aria-label": "Turn left by a quarter" }, "↺ left"),
        make("button", { type: "button", onclick: () => this.turn(90), "aria-label": "Turn right by a quarter" }, "↻ right"),
        make("button", { type: "button", onclick: () => this.mirror() }, "Left for right"))),
    );
    this.side.replaceChildren(make("div", {}, this.heading, this.facts, this.flags), this.settings,
      make("div", {}, make("label", {}, this.checked, "looked at and right"), make("label", {}, this.skip, "leave this plate out")),
      make("label", { class: "field" }, "Note", this.note));
  }

  show() {
    const plate = this.plate, settings = plate.settings;
    this.settings.disabled = false;
    this.heading.textContent = plate.id;
    this.facts.textContent = [
      settings.format || "format unknown", plate.size, plate.ppi ? `${Math.round(plate.ppi)} ppi` : "",
      ...densitiesOf(plate.tone_curve), plate.calibrated ? "calibrated" : "",
    ].filter(Boolean).join(" · ");
    const flags = [...new Set([...plate.doubts, ...(plate.whole && settings.crop ? ["kept whole: not cropped"] : [])])];
    this.flags.replaceChildren(...flags.map((flag) => make("p", { class: "flag" }, `look: ${flag}`)));
    if (plate.shape) this.flags.append(this.shapeFlag(plate));
    if (plate.failed) this.flags.prepend(make("p", { class: "flag" }, `not converted: ${plate.failed}`));
    if (plate.tone_curve) {
      if (!this.curve.element.isConnected) this.curveBox.replaceChildren(this.curve.element);
      this.curve.show(plate.tone_curve, { stops: settings.print_stops, contrast: settings.print_contrast });
    } else this.curveBox.replaceChildren();
    this.findCorners.disabled = !plate.by_hand;
    this.showFormats(settings.format);
    const tones = this.told.session().tones;
    this.tone.replaceChildren(...tones.map((name) => make("option", { value: name, selected: name === settings.tone }, name)));
    this.stops.value = settings.print_stops;
    this.contrast.value = settings.print_contrast;
    this.sayPrint();
    this.printing.value = settings.printing;
    this.showRemarks(settings);
    this.legend.element.hidden = this.layer !== "density" || !plate.map;
    if (plate.map) this.legend.show(plate.map);
    this.board.show(plate, this.layer);
    this.compare.renew();
    this.picture.show(plate);
    if (this.corners) this.corners.renew(plate);
    this.pictures.renew(plate);
    this.section.dataset.version = plate.version;
    this.section.dataset.settled = plate.settled;
  }

  // A size that the shape gainsays, and how to put it right.
  shapeFlag(plate) {
    const likely = plate.shaped_as.map((name) => make("button", { type: "button", onclick: () => this.change({ format: name }) }, `It is ${name}`));
    return make("div", { class: "flag" }, make("p", {}, `look: ${plate.shape}. Set the plate's size here or below, or check the corners.`),
      likely.length ? make("div", { class: "row" }, ...likely) : null);
  }

  // The sizes there are, and one of the session's own.
  showFormats(now) {
    const names = this.told.session().formats;
    const own = now && !names.includes(now) ? [now] : [];
    this.format.replaceChildren(make("option", { value: "", selected: now === "" }, "not known"),
      ...[...own, ...names].map((name) => make("option", { value: name, selected: name === now }, name)));
  }

  // What can be said of a plate that cannot be shown, too.
  showRemarks(settings) {
    this.checked.checked = settings.checked;
    this.skip.checked = settings.skip;
    if (document.activeElement !== this.note) this.note.value = settings.note;
  }

  check() {
    this.change({ checked: !this.checked.checked });
  }

  sayPrint() {
    const stops = Number(this.stops.value);
    this.stopsText.textContent = stops === 0 ? "as measured" : `${Number(Math.abs(stops).toFixed(2))} stop ${stops > 0 ? "more, darker" : "less, lighter"}`;
    const contrast = Number(this.contrast.value);
    this.contrastText.textContent = contrast === 1 ? "the paper's own" : `${contrast.toFixed(2)} times the paper's`;
  }

  // Show an exposure and contrast before they are decided on: those of the sliders, or of the curve's points.
  tryPrint(print = { stops: Number(this.stops.value), contrast: Number(this.contrast.value) }) {
    if (this.layer !== "positive") this.setLayer("positive");
    [this.stops.value, this.contrast.value] = [print.stops, print.contrast];
    this.sayPrint();
    this.curve.move(print);
    this.wantedTry = `${plateAddress(this.id)}/preview.jpg?side=1200&print_stops=${this.stops.value}&print_contrast=${this.contrast.value}`;
    if (this.trying) return;
    this.trying = true;
    const next = () => {
      const address = this.wantedTry;
      this.wantedTry = null;
      if (!address) { this.trying = false; return; }
      const picture = new Image();
      picture.onload = () => { this.board.showTried(address); next(); };
      picture.onerror = next;
      picture.src = address;
    };
    next();
  }

  async change(changes) {
    if (this.id) await this.told.change({ [this.id]: changes });
  }

  setLayer(name) {
    if (name !== "captured") this.stopCorners();
    if (name !== "positive" && this.compare) this.compare.undivide();
    this.layer = name;
    this.layers.forEach((label) => { const radio = label.firstChild; radio.checked = radio.value === name; });
    this.showSign();
    if (this.plate) this.show();
  }

  showSign() {
    this.say(SIGNS[this.corners ? "corners" : this.layer] || "");
  }

  say(sign) {
    this.sign.hidden = !sign;
    this.sign.textContent = sign;
  }

  turn(by) {
    if (this.plate) this.change({ rotate: (this.plate.settings.rotate + by + 360) % 360 });
  }

  mirror() {
    if (this.plate) this.change({ emulsion: this.plate.settings.emulsion === "camera" ? "light" : "camera" });
  }

  darker(by) {
    if (!this.plate) return;
    const stops = Math.max(STOPS[0], Math.min(STOPS[1], Math.round((Number(this.stops.value) + by) * 20) / 20));
    this.stops.value = stops;
    this.change({ print_stops: stops });
  }

  steeper(by) {
    const contrast = Math.max(CONTRASTS[0], Math.min(CONTRASTS[1], Math.round((Number(this.contrast.value) + by) * 100) / 100));
    this.contrast.value = contrast;
    this.change({ print_contrast: contrast });
  }

  toggleMeasuring() {
    if (this.picture.drawing) this.picture.toggle(false);
    this.board.measuring = !this.board.measuring;
    this.measure.setAttribute("aria-pressed", this.board.measuring);
    if (!this.board.measuring) this.board.clearFrame();
  }

  readMiddle() {
    if (this.board.measuring) return this.board.measureMiddle();
    this.board.clearFrame();
    const place = this.board.middle();
    if (!place) return;
    if (!this.cross) { this.cross = make("div", { class: "middle", "aria-hidden": "true" }); this.board.element.append(this.cross); }
    this.readings.point(this.id, this.layer, place.x, place.y);
  }

  toggleCorners() {
    if (this.corners) return this.endCorners();
    this.layerBefore = this.layer;
    this.setLayer("captured");
    const begin = () => {
      if (this.layer !== "captured" || this.corners) return;
      this.corners = new Corners(this.board, this.plate, (corners) => this.change({ corners }));
      this.moveCorners.setAttribute("aria-pressed", "true");
      this.corners.handles[0].focus();
      this.showSign();
    };
    if (this.board.item && this.board.layer === "captured" && this.board.item.source.width === this.plate.layers.captured.width) begin();
    else this.board.viewer.addOnceHandler("open", begin);
  }

  // Done with them: back to what was looked at before.
  endCorners() {
    if (!this.corners) return;
    this.stopCorners();
    this.setLayer(this.layerBefore);
  }

  stopCorners() {
    if (!this.corners) return;
    this.corners.remove();
    this.corners = null;
    this.moveCorners.setAttribute("aria-pressed", "false");
  }
}

function densitiesOf(told) {
  if (!told) return ["the scan shows a positive: densities not known, tones as scanned"];
  const over = told.d_max_at_least === null ? "" : "over ", lost = over ? told.d_max - told.d_max_at_least : 0;
  return [
    `${told.fog_seen ? "base plus fog" : "thinnest"} ${density(told.base_fog)}`, `Dmax ${over}${density(told.d_max - lost)}`,
    `range ${over}${density(told.density_range - lost)}`,
  ];
}
