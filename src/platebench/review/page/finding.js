// Which plates are shown and in which order: words to look for, one filter, one order, a print size.

import { density, make } from "./make.js";

const FILTERS = {
  all: ["all plates", () => true],
  look: ["to look at", needsLooking],
  changed: ["changed since converted", (plate) => plate.converted && plate.stale],
  unseen: ["not looked at", (plate) => !plate.settings.checked && !plate.settings.skip],
  stained: ["stained", (plate) => plate.stained],
  out: ["left out", (plate) => plate.settings.skip],
};
const least = (value) => value ?? -1;
const ORDERS = {
  session: ["as in the session", () => 0],
  doubt: ["doubtful first", (a, b) => needsLooking(b) - needsLooking(a)],
  range: ["longest range first", (a, b) => least(b.density_range) - least(a.density_range)],
  dmax: ["highest Dmax first", (a, b) => least(b.d_max) - least(a.d_max)],
};

export function needsLooking(plate) {
  return !plate.settings.skip && !plate.settings.checked && (plate.flags.length > 0 || !plate.converted || plate.failed !== "");
}

export class Finding {
  constructor(form, told) {
    this.form = form;
    this.told = told; // { changed(), sized(rem) }
    const option = ([value, [text]]) => make("option", { value }, text);
    this.words = make("input", { type: "search", "aria-label": "Find in names, titles, notes and the plate log", placeholder: "Find a plate", oninput: () => told.changed() });
    this.filter = make("select", { onchange: () => told.changed() }, ...Object.entries(FILTERS).map(option));
    this.format = make("select", { onchange: () => told.changed() });
    this.order = make("select", { onchange: () => told.changed() }, ...Object.entries(ORDERS).map(option));
    this.size = make("input", { type: "range", min: 8, max: 30, step: 1, oninput: () => this.resize(), onchange: () => told.sized(Number(this.size.value)) });
    form.append(this.words,
      make("label", {}, "Show", this.filter), make("label", {}, "Size", this.format),
      make("label", {}, "Order", this.order), make("label", {}, "Prints", this.size));
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  resize() {
    document.documentElement.style.setProperty("--print", `${this.size.value}rem`);
  }

  // The formats there are; once the session is known, how large prints were last.
  renew(session) {
    const names = [...new Set(session.plates.map((plate) => plate.format))].sort();
    const told = JSON.stringify(names);
    if (this.names !== told) {
      const now = this.format.value;
      this.names = told;
      this.format.replaceChildren(make("option", { value: "*" }, "every size"),
        ...names.map((name) => make("option", { value: name, selected: name === now }, name || "not known")));
    }
    if (this.sized) return;
    this.sized = true;
    this.size.value = session.kept.print_size;
    this.resize();
  }

  found(plates) {
    const words = this.words.value.toLowerCase().split(/\s+/).filter(Boolean);
    const fits = FILTERS[this.filter.value][1], format = this.format.value;
    const said = (plate) => `${plate.id} ${plate.settings.note} ${plate.words}`.toLowerCase();
    return plates
      .filter((plate) => fits(plate) && (format === "*" || format === plate.format))
      .filter((plate) => !words.length || words.every((word) => said(plate).includes(word)))
      .sort(ORDERS[this.order.value][1]);
  }

  showAll() {
    this.form.reset();
    this.sized = false;
  }
}

export function rangeOf(plate) {
  return plate.density_range === null ? "" : `range ${density(plate.density_range)}`;
}
