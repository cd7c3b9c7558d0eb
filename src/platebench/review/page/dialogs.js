// Questions and help that need a moment's attention.

import { make } from "./make.js";

const KEYS = [
  ["← →", "plate before, plate after"], ["Home End, Page ↑ ↓", "first and last plate, ten plates on"],
  ["Enter, Esc", "open a plate, back to the prints"],
  ["Space, Shift + arrows, Ctrl A", "among the prints: choose one, a row, all; Esc lets go"],
  ["K L R", "the chosen plates: looked at, turn left, turn right"], ["/", "find a plate"],
  ["1 2 3 4", "positive, as captured, density, negative"], ["H held, V", "the plate as when opened; positive and negative with a line between"], ["+ − W P", "nearer, farther, whole plate, pixels"],
  ["Shift + arrows", "move the picture"], ["O", "read the density in the middle"],
  ["X, or Shift + drag", "measure a rectangle; X, then O: the middle"], ["C", "move the corners; arrows move a handle, Shift ten pixels, Alt a fifth"],
  ["L R M", "turn left, turn right, left for right"], ["D B", "print darker, brighter by a tenth of a stop"], ["S F", "print steeper, flatter in contrast by a twentieth"],
  ["Space, N", "looked at and right, write a note"], ["Ctrl Z, Ctrl Shift Z", "undo, redo"],
];

export function showHelp() {
  const dialog = document.getElementById("help");
  const rows = KEYS.map(([keys, what]) => make("tr", {}, make("td", {}, make("kbd", {}, keys)), make("td", {}, what)));
  dialog.replaceChildren(
    make("h2", { id: "help-title" }, "Keys"),
    make("table", {}, make("tbody", {}, ...rows)),
    make("div", { class: "row" }, make("button", { type: "button", onclick: () => dialog.close() }, "Close")),
  );
  dialog.showModal();
}

function question(title, fields, go, begin) {
  const dialog = document.getElementById("ask");
  const form = make("form", { method: "dialog" }, ...fields.map(([text, field]) => make("label", {}, text, field)));
  form.append(make("div", { class: "row" },
    make("button", { type: "button", onclick: () => dialog.close() }, "Not now"),
    make("button", { type: "submit", class: "main" }, go)));
  form.addEventListener("submit", () => begin());
  dialog.replaceChildren(make("h2", { id: "ask-title" }, title), form);
  dialog.showModal();
}

function plateField(session, id) {
  return make("select", {}, ...session.plates.filter((plate) => !plate.settings.skip)
    .map((plate) => make("option", { value: plate.id, selected: plate.id === id }, plate.id)));
}

export function askPrintNegative(session, id, work) {
  const plate = plateField(session, id);
  const process = make("select", {}, ...(session.processes || []).map((name) => make("option", { value: name }, name)));
  const size = make("input", { type: "text", placeholder: "as the plate" });
  question("Print negative", [["Plate", plate], ["Printing process", process], ["Size, such as 8x10 in or 180x240 mm", size]], "Make it",
    () => work.start("print-negative", { plate: plate.value, process: process.value, size: size.value.trim() }));
}

function choice(...options) {
  return make("select", {}, ...options.map(([value, text]) => make("option", { value }, text)));
}

export function askShare(session, id, work) {
  const plate = plateField(session, id);
  const kind = choice(["jpeg", "JPEG"], ["png", "PNG"], ["webp", "WebP"]);
  const side = make("input", { type: "number", min: 64, max: 30000, value: 2000, required: true });
  const edge = choice(["", "without"], ["with", "with edge and rebate"]);
  const toned = choice(["toned", "the tone profile's, where it has one"], ["", "neutral"]);
  const caption = choice(["", "none"], ["caption", "from the plate log"]);
  const place = choice(["", "left out"], ["place", "in caption and metadata"]);
  question("Picture to share", [
    ["Plate", plate], ["File", kind], ["Long side, pixels", side], ["The plate's edge", edge],
    ["Hue", toned], ["Caption", caption], ["Where it was taken", place],
  ], "Make it", () => work.start("share", {
    plate: plate.value, kind: kind.value, long_side: Number(side.value), edge: edge.value !== "",
    toned: toned.value !== "", caption: caption.value !== "", place: place.value !== "",
  }));
}

export function askArchive(session, work) {
  const raws = choice(["no", "their checksums only"], ["yes", "the files themselves"]);
  question("Archive the session", [["Captures", raws]], "Make the package",
    () => work.start("archive", { captures: raws.value === "yes" }));
}
