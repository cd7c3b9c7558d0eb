// All plates as contact prints, in order.

import { density, make } from "./make.js";
import { plateAddress } from "./server.js";

export function inOrder(plates, doubtfulFirst) {
  const doubt = (plate) => (needsLooking(plate) ? 0 : 1);
  return doubtfulFirst ? [...plates].sort((a, b) => doubt(a) - doubt(b)) : plates;
}

export function needsLooking(plate) {
  return !plate.settings.skip && !plate.settings.checked && (plate.flags.length > 0 || !plate.converted || plate.failed !== "");
}

export function showPrints(list, plates) {
  const wanted = plates.map((plate) => plate.id);
  const before = new Map([...list.children].map((item) => [item.dataset.id, item]));
  const items = plates.map((plate) => {
    const item = before.get(plate.id) || make("li", { "data-id": plate.id });
    fill(item, plate);
    return item;
  });
  const now = [...list.children].map((item) => item.dataset.id);
  if (now.length !== wanted.length || now.some((id, place) => id !== wanted[place])) list.replaceChildren(...items);
}

function fill(item, plate) {
  const told = JSON.stringify(plate);
  if (item.dataset.told === told) return;
  item.dataset.told = told;
  item.className = plate.settings.skip ? "skipped" : "";
  const held = item.contains(document.activeElement);
  item.replaceChildren(
    make("a", { href: `#/plate/${encodeURIComponent(plate.id)}` }, picture(plate), caption(plate)),
  );
  if (held) item.firstChild.focus();
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
  const facts = [plate.format, plate.density_range === null ? "" : `range ${density(plate.density_range)}`];
  if (plate.settings.skip) facts.push("left out");
  else if (plate.settings.checked) facts.push("checked");
  if (plate.converted && plate.stale) facts.push("changed since converted");
  const box = make("div", { class: "caption" },
    make("div", { class: "id" }, plate.id),
    make("div", { class: "facts" }, facts.filter(Boolean).join(" · ")));
  if (plate.failed) box.append(make("div", { class: "flag" }, `not converted: ${plate.failed}`));
  else if (plate.flags.length) box.append(make("div", { class: "flag" }, `look: ${plate.flags[0]}`));
  return box;
}
