// Two pictures compared: a plate with what it was, the positive with the negative, one plate with another.

import { Board } from "./board.js";
import { make } from "./make.js";
import { ask, plateAddress } from "./server.js";

const PRINT = ["tone", "print_stops", "print_contrast"];

export class Compare {
  constructor(desk) {
    this.desk = desk;
    this.hold = make("button", { type: "button" }, "As when opened (hold H)");
    this.hold.addEventListener("pointerdown", () => this.showBefore());
    for (const end of ["pointerup", "pointerleave", "pointercancel"]) this.hold.addEventListener(end, () => this.hideBefore());
    this.divideButton = make("button", { type: "button", "aria-pressed": "false", onclick: () => this.divide() }, "Positive | negative (V)");
    this.other = make("select", { onchange: () => this.beside(this.other.value) });
    this.element = make("div", {}, make("div", { class: "row" }, this.hold, this.divideButton),
      make("label", { class: "field" }, "Another plate beside it", this.other));
  }

  // Another plate has been opened: nothing is remembered of the one before.
  forget() {
    this.hideBefore();
    this.undivide();
    this.before = null;
  }

  renew() {
    this.before ??= { id: this.desk.id, ...this.desk.plate.settings };
    const ids = this.desk.told.session().plates.filter((plate) => plate.converted && plate.id !== this.desk.id).map((plate) => plate.id);
    this.other.replaceChildren(make("option", { value: "" }, "none"), ...ids.map((id) => make("option", { value: id, selected: this.second?.id === id }, id)));
    if (this.second && !ids.includes(this.second.id)) this.beside("");
    if (this.second) this.second.board.show(this.second.plate, this.layer);
    if (this.divider && this.dividedVersion !== this.desk.plate.version) { this.undivide(); this.divide(); }
  }

  get layer() {
    return this.desk.layer;
  }

  // Tone, exposure and contrast as they were when the plate was opened, for as long as a key is held.
  showBefore() {
    if (!this.before || this.held || !this.desk.plate) return;
    this.held = true;
    if (this.layer !== "positive") this.desk.setLayer("positive");
    const asked = new URLSearchParams({ side: 2000, ...Object.fromEntries(PRINT.map((key) => [key, this.before[key]])) });
    this.desk.board.showTried(`${plateAddress(this.desk.id)}/preview.jpg?${asked}`);
    this.desk.say("As when opened: tone, exposure and contrast.");
  }

  hideBefore() {
    if (!this.held) return;
    this.held = false;
    this.desk.board.clearTried();
    this.desk.showSign();
  }

  // The negative right of a line that can be dragged, or moved with the arrows.
  divide() {
    if (this.divider) return this.undivide();
    if (!this.desk.plate) return null;
    this.desk.setLayer("positive");
    const board = this.desk.board;
    this.share = this.share ?? 0.5;
    this.dividedVersion = this.desk.plate.version;
    this.divider = make("button", { type: "button", class: "divided", role: "slider", "aria-label": "line between positive and negative", "aria-valuemin": 0, "aria-valuemax": 100, "aria-valuenow": 50 });
    const divider = this.divider;
    const place = () => {
      if (this.divider !== divider) return;
      divider.style.left = `${100 * this.share}%`;
      divider.setAttribute("aria-valuenow", Math.round(100 * this.share));
      board.clipOver(this.share);
    };
    const move = (share) => { this.share = Math.max(0.02, Math.min(0.98, share)); place(); };
    divider.addEventListener("pointerdown", (event) => { event.preventDefault(); divider.focus(); divider.setPointerCapture(event.pointerId); this.dragged = true; });
    divider.addEventListener("pointermove", (event) => {
      const box = board.element.getBoundingClientRect();
      if (this.dragged) move((event.clientX - box.left) / box.width);
    });
    for (const end of ["pointerup", "pointercancel"]) divider.addEventListener(end, () => { this.dragged = false; });
    divider.addEventListener("keydown", (event) => {
      const by = { ArrowLeft: -0.02, ArrowRight: 0.02 }[event.key];
      if (!by) return;
      event.preventDefault();
      event.stopPropagation();
      move(this.share + by);
    });
    board.element.append(divider);
    board.layNegative(this.desk.plate, place);
    this.divideButton.setAttribute("aria-pressed", "true");
    return null;
  }

  undivide() {
    if (!this.divider) return;
    this.divider.remove();
    this.divider = null;
    this.divideButton.setAttribute("aria-pressed", "false");
    this.desk.board.liftNegative();
  }

  // A second board, which follows the first in place and size; and the first follows it.
  async beside(id) {
    this.second?.board.close();
    this.second?.board.element.remove();
    this.second = null;
    if (!id) return;
    const element = make("div", { class: "board", role: "group", "aria-label": `Picture of ${id}` }, make("p", { class: "beside-name" }, id));
    this.desk.boards.append(element);
    const readings = this.desk.readings;
    const board = new Board(element, {
      point: (layer, x, y) => readings.point(id, layer, x, y), away: () => readings.away(),
      rectangle: (layer, box) => readings.rectangle(id, layer, box), moved: () => {}, released: () => readings.release(),
    });
    const second = this.second = { id, board };
    try {
      second.plate = await ask(plateAddress(id));
    } catch (error) {
      this.desk.told.say(error.message, true);
      if (this.second === second) this.beside("");
      return;
    }
    if (this.second !== second) return;
    board.show(second.plate, this.layer);
    this.desk.board.link(board);
  }

  // Leave what is compared; false where nothing is.
  end() {
    const was = this.second || this.divider;
    this.hideBefore();
    this.undivide();
    if (this.second) { this.beside(""); this.other.value = ""; }
    return Boolean(was);
  }
}
