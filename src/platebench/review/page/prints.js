// Plates as contact prints: shown, walked through by key, and chosen one by one or in a row.

import { needsLooking, rangeOf } from "./finding.js";
import { make } from "./make.js";
import { plateAddress } from "./server.js";

const PAGE_ROWS = 3;

export class Prints {
  constructor(list, chosenChanged) {
    this.list = list;
    this.chosen = new Set();
    this.chosenChanged = chosenChanged;
    list.addEventListener("click", (event) => this.clicked(event));
    list.addEventListener("focusin", (event) => this.stopAt(event.target.closest("li")));
  }

  show(plates) {
    const items = this.items;
    const before = new Map(items.map((item) => [item.dataset.id, item]));
    const wanted = plates.map((plate) => {
      const item = before.get(plate.id) || make("li", { "data-id": plate.id });
      this.fill(item, plate);
      return item;
    });
    if (wanted.length !== items.length || wanted.some((item, place) => item !== items[place])) {
      const held = document.activeElement;
      this.list.replaceChildren(...wanted);
      if (this.list.contains(held)) held.focus();
    }
    const shown = new Set(plates.map((plate) => plate.id));
    this.choose([...this.chosen].filter((id) => shown.has(id))); // what is not seen is not changed
    if (!this.list.contains(this.stop)) this.stopAt(wanted[0]);
  }

  get items() {
    return [...this.list.children];
  }

  // One print at a time is a stop of the Tab key; arrows go to the others.
  stopAt(item) {
    if (!item || item === this.stop) return;
    if (this.stop) this.stop.querySelector("a")?.setAttribute("tabindex", "-1");
    item.querySelector("a").setAttribute("tabindex", "0");
    this.stop = item;
  }

  focus(id) {
    const item = this.items.find((one) => one.dataset.id === id);
    if (item) { item.querySelector("a").focus(); item.scrollIntoView({ block: "nearest" }); }
  }

  // Keys: along the row, up and down by rows, to the ends.
  walk(key, extend) {
    const items = this.items, place = items.indexOf(document.activeElement.closest("li"));
    if (!items.length) return;
    const top = items[0].offsetTop, row = Math.max(1, items.findIndex((item) => item.offsetTop > top));
    const across = row > 0 && items.some((item) => item.offsetTop > top) ? row : items.length;
    const by = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: across, ArrowUp: -across, PageDown: PAGE_ROWS * across, PageUp: -PAGE_ROWS * across,
      Home: -items.length, End: items.length }[key];
    const next = place < 0 ? (key === "End" ? items.length - 1 : 0) : Math.max(0, Math.min(items.length - 1, place + by));
    const far = Math.abs(by) !== 1 && Math.abs(by) < items.length && Math.abs(next - place) < across;
    const to = far && key.startsWith("Arrow") ? place : next; // no row there: stay
    if (to < 0) return;
    this.focus(items[to].dataset.id);
    if (extend) this.chooseRow(items[place < 0 ? to : place].dataset.id, items[to].dataset.id);
    else this.from = null;
  }

  clicked(event) {
    const item = event.target.closest("li"), box = event.target.closest("label");
    if (!item || !(box || event.shiftKey || event.ctrlKey || event.metaKey)) return;
    event.preventDefault();
    if (event.shiftKey) this.chooseRow(this.last ?? item.dataset.id, item.dataset.id);
    else this.toggle(item.dataset.id);
    item.querySelector("a").focus();
  }

  toggle(id) {
    const chosen = new Set(this.chosen);
    if (!chosen.delete(id)) chosen.add(id);
    this.last = id;
    this.from = null;
    this.choose(chosen);
  }

  // All from the first chosen of a row to this one; the row is drawn anew as it is extended.
  chooseRow(from, to) {
    const ids = this.items.map((item) => item.dataset.id);
    this.from ??= [ids.indexOf(from), new Set(this.chosen)];
    const [start, before] = this.from, end = ids.indexOf(to);
    this.choose([...before, ...ids.slice(Math.min(start, end), Math.max(start, end) + 1)]);
  }

  chooseAll() {
    this.choose(this.items.map((item) => item.dataset.id));
  }

  choose(ids) {
    this.chosen = new Set(ids);
    for (const item of this.items) {
      const is = this.chosen.has(item.dataset.id);
      item.classList.toggle("chosen", is);
      item.querySelector("input").checked = is;
    }
    this.chosenChanged(this.chosen);
  }

  fill(item, plate) {
    const told = JSON.stringify(plate);
    if (item.dataset.told === told) return;
    item.dataset.told = told;
    const held = item.contains(document.activeElement);
    item.classList.toggle("skipped", plate.settings.skip);
    item.replaceChildren(
      make("a", { href: `#/plate/${encodeURIComponent(plate.id)}`, tabindex: item === this.stop ? 0 : -1 }, picture(plate), caption(plate)),
      make("label", { class: "choose" }, make("input", { type: "checkbox", tabindex: -1, checked: this.chosen.has(plate.id), "aria-label": `choose ${plate.id}` })),
    );
    if (held) item.firstChild.focus();
  }
}

function picture(plate) {
  const frame = make("div", { class: "print" });
  if (!plate.preview) {
    frame.append(make("div", { class: "none" }, plate.settings.skip ? "left out" : plate.failed ? "not converted" : "not converted yet"));
    return frame;
  }
  const [width, height] = plate.pixels || [4, 3];
  frame.append(make("img", {
    src: `${plateAddress(plate.id)}/thumb.jpg?side=480&v=${plate.preview}`,
    alt: "",
    loading: "lazy",
    decoding: "async",
    width: width >= height ? 480 : Math.round((480 * width) / height),
    height: width >= height ? Math.round((480 * height) / width) : 480,
  }));
  return frame;
}

function caption(plate) {
  const facts = [plate.format, rangeOf(plate)];
  if (plate.settings.skip) facts.push("left out");
  else if (plate.settings.checked) facts.push("looked at");
  if (plate.converted && plate.stale) facts.push("changed since converted");
  const box = make("div", { class: "caption" },
    make("div", { class: "id" }, plate.id),
    make("div", { class: "facts" }, facts.filter(Boolean).join(" · ")));
  const said = plate.failed ? `not converted: ${plate.failed}` : needsLooking(plate) && plate.flags.length ? `look: ${plate.flags[0]}` : "";
  if (said) box.append(make("div", { class: "flag" }, said));
  return box;
}
