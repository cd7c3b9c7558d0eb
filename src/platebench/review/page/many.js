// One change for all chosen plates: one step, that one undo takes back.

import { make } from "./make.js";

const KEEP = "…";

export class Many {
  constructor(box, told) {
    this.box = box;
    this.told = told; // { plates(), session(), change(changes by id), letGo() }
    this.count = make("strong", { role: "status" });
    const pick = (key, value = (text) => text) => make("select", { onchange: () => this.set(key, value) });
    this.selects = {
      tone: pick("tone"), format: pick("format"),
      emulsion: pick("emulsion"), crop: pick("crop", (text) => text === "true"), checked: pick("checked", (text) => text === "true"),
    };
    const number = (key, low, high, step) => make("input", {
      type: "number", min: low, max: high, step, placeholder: KEEP,
      onchange: (event) => { if (event.target.value !== "" && event.target.reportValidity()) this.all({ [key]: Number(event.target.value) }); },
    });
    this.stops = number("print_stops", -5, 5, 0.1);
    this.contrast = number("print_contrast", 0.4, 2.5, 0.05);
    const label = (text, field) => make("label", { class: "field" }, text, field);
    box.append(
      make("div", { class: "row" }, this.count, make("button", { type: "button", onclick: () => told.letGo() }, "Let go (Esc)")),
      make("div", { class: "fields" },
        label("Tone", this.selects.tone), label("Printing exposure, stops", this.stops), label("Contrast", this.contrast),
        label("Plate size", this.selects.format), label("Emulsion towards", this.selects.emulsion),
        label("Crop", this.selects.crop), label("Looked at", this.selects.checked),
        make("button", { type: "button", onclick: () => this.turn(-90) }, "↺ left"),
        make("button", { type: "button", onclick: () => this.turn(90) }, "↻ right")),
    );
  }

  // What all have alike is shown; where they differ, the field says nothing.
  show() {
    const plates = this.told.plates(), session = this.told.session();
    const wasHidden = this.box.hidden;
    this.box.hidden = plates.length === 0;
    if (!plates.length) return;
    if (wasHidden) this.box.scrollTop = 0;
    this.count.textContent = `${plates.length} ${plates.length === 1 ? "plate" : "plates"} chosen`;
    const formats = [...new Set([...plates.map((plate) => plate.settings.format), ...session.formats])].filter(Boolean);
    this.fill("tone", session.tones.map((name) => [name, name]));
    this.fill("format", formats.map((name) => [name, name]));
    this.fill("emulsion", [["camera", "the camera"], ["light", "the light"]]);
    this.fill("crop", [["true", "to the plate"], ["false", "whole capture"]]);
    this.fill("checked", [["true", "yes"], ["false", "no"]]);
    for (const [key, field] of [["print_stops", this.stops], ["print_contrast", this.contrast]]) {
      if (document.activeElement !== field) field.value = this.alike(key);
    }
  }

  alike(key) {
    const values = new Set(this.told.plates().map((plate) => String(plate.settings[key])));
    return values.size === 1 ? [...values][0] : "";
  }

  fill(key, choices) {
    const now = this.alike(key), select = this.selects[key];
    select.replaceChildren(make("option", { value: "", selected: now === "" }, KEEP),
      ...choices.map(([value, text]) => make("option", { value, selected: value === now }, text)));
  }

  set(key, value) {
    const chosen = this.selects[key].value;
    if (chosen !== "") this.all({ [key]: value(chosen) });
  }

  all(changes) {
    this.told.change(Object.fromEntries(this.told.plates().map((plate) => [plate.id, changes])));
  }

  turn(by) {
    this.told.change(Object.fromEntries(this.told.plates().map((plate) => [plate.id, { rotate: (plate.settings.rotate + by + 360) % 360 }])));
  }

  toggleChecked() {
    const all = this.told.plates().every((plate) => plate.settings.checked);
    this.all({ checked: !all });
  }
}
