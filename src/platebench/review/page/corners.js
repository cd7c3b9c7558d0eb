// Four handles on the capture: drag them, or move them with the arrow keys.

import { drawn, fixed, make } from "./make.js";
import { plateAddress } from "./server.js";

const NAMES = ["top left corner", "top right corner", "bottom right corner", "bottom left corner"];
const LOUPE_SIDE = 192;

export class Corners {
  constructor(board, plate, decided) {
    this.board = board;
    this.plate = plate;
    this.decided = decided; // called with the corners once a handle is let go
    this.corners = plate.corners.map((corner) => [...corner]);
    this.under = drawn("polygon", { class: "under" });
    this.line = drawn("polygon");
    this.outline = drawn("svg", { class: "outline", "aria-hidden": "true" }, this.under, this.line);
    this.handles = NAMES.map((name, place) => this.handle(name, place));
    board.element.append(this.outline, ...this.handles);
    this.place();
  }

  remove() {
    this.outline.remove();
    this.handles.forEach((handle) => handle.remove());
    this.hideLoupe();
  }

  renew(plate) {
    this.plate = plate;
    if (this.held === undefined) this.corners = plate.corners.map((corner) => [...corner]);
    this.place();
  }

  place() {
    const points = this.corners.map(([row, column]) => this.board.toBoard(column, row));
    if (points.some((point) => !point)) return;
    const text = points.map((point) => `${point.x},${point.y}`).join(" ");
    this.under.setAttribute("points", text);
    this.line.setAttribute("points", text);
    points.forEach((point, place) => {
      Object.assign(this.handles[place].style, { left: `${point.x}px`, top: `${point.y}px` });
      this.handles[place].setAttribute("aria-description",
        `row ${fixed(this.corners[place][0], 1)}, column ${fixed(this.corners[place][1], 1)}`);
    });
  }

  handle(name, place) {
    const handle = make("button", { type: "button", class: "corner", "aria-label": name, "data-corner": place });
    handle.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      handle.focus();
      handle.setPointerCapture(event.pointerId);
      this.held = place;
      const [row, column] = this.corners[place];
      const at = this.board.toBoard(column, row);
      this.grip = [at.x - event.clientX, at.y - event.clientY];
      this.showLoupe(place);
    });
    handle.addEventListener("pointermove", (event) => {
      if (this.held !== place) return;
      const to = this.board.toLayer(event.clientX + this.grip[0], event.clientY + this.grip[1]);
      this.corners[place] = [to.y, to.x];
      this.place();
      this.showLoupe(place);
    });
    const letGo = () => {
      if (this.held !== place) return;
      this.held = undefined;
      this.hideLoupe();
      this.decide();
    };
    handle.addEventListener("pointerup", letGo);
    handle.addEventListener("pointercancel", letGo);
    handle.addEventListener("keydown", (event) => this.byKey(event, place));
    handle.addEventListener("keyup", (event) => {
      if (event.key.startsWith("Arrow")) this.decideSoon();
    });
    handle.addEventListener("blur", () => this.hideLoupe());
    return handle;
  }

  byKey(event, place) {
    const ways = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };
    const way = ways[event.key];
    if (!way) return;
    event.preventDefault();
    event.stopPropagation();
    const step = event.shiftKey ? 10 : event.altKey ? 0.2 : 1;
    this.corners[place] = this.corners[place].map((value, axis) => value + way[axis] * step);
    this.place();
    this.showLoupe(place);
  }

  decideSoon() {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.decide(), 400);
  }

  decide() {
    clearTimeout(this.soon);
    this.decided(this.corners.map(([row, column]) => [Number(row.toFixed(2)), Number(column.toFixed(2))]));
  }

  showLoupe(place) {
    if (!this.loupe) {
      this.loupe = make("div", { class: "loupe", "aria-hidden": "true" }, make("img", { alt: "" }));
      this.board.element.append(this.loupe);
    }
    const [row, column] = this.corners[place];
    const at = this.board.toBoard(column, row);
    const room = this.board.element.getBoundingClientRect();
    const left = at.x < room.width / 2 ? at.x + 40 : at.x - 40 - LOUPE_SIDE;
    const top = at.y < room.height / 2 ? at.y + 40 : at.y - 40 - LOUPE_SIDE;
    Object.assign(this.loupe.style, { left: `${left}px`, top: `${top}px` });
    this.wanted = `${plateAddress(this.plate.id)}/loupe.jpg?at=${row.toFixed(2)},${column.toFixed(2)}`;
    if (!this.fetching) this.fetchLoupe();
  }

  fetchLoupe() {
    const address = this.wanted;
    const picture = this.loupe.querySelector("img");
    this.fetching = true;
    const next = () => {
      this.fetching = false;
      if (this.loupe && this.wanted !== address) this.fetchLoupe();
    };
    picture.onload = next;
    picture.onerror = next;
    picture.src = address;
  }

  hideLoupe() {
    if (this.loupe) this.loupe.remove();
    this.loupe = null;
    this.fetching = false;
  }
}
