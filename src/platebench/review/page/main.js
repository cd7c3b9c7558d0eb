// The page: the prints or one plate, by the address; the session as the server tells it.

import { askArchive, askPrintNegative, askShare, showHelp } from "./dialogs.js";
import { make } from "./make.js";
import { PlateDesk } from "./plate.js";
import { inOrder, needsLooking, showPrints } from "./prints.js";
import { ask, listen, tell } from "./server.js";
import { Work } from "./work.js";

const by = (id) => document.getElementById(id);
const work = new Work();
const desk = new PlateDesk(by("plate"), {
  say: (text, failed) => work.say(text, failed),
  changed: () => renew(),
  session: () => session,
});
let session = null;
let soon = null;

async function renew() {
  try {
    const told = await ask(session ? `api/session?since=${session.stamp}` : "api/session");
    const anew = new Map(told.plates.map((plate) => [plate.id, plate]));
    session = told.whole ? told : { ...told, plates: session.plates.map((plate) => anew.get(plate.id) ?? plate) };
  } catch (error) {
    work.say(error.message, true);
    return;
  }
  by("title").textContent = session.title;
  document.title = `${session.title}: review page`;
  const looking = session.plates.filter(needsLooking).length;
  const checked = session.plates.filter((plate) => plate.settings.checked).length;
  by("count").textContent = [
    `${session.plates.length} ${session.plates.length === 1 ? "plate" : "plates"}`,
    looking ? `${looking} to look at` : "", checked ? `${checked} checked` : "",
  ].filter(Boolean).join(", ");
  by("undo").disabled = session.undo === 0;
  by("redo").disabled = session.redo === 0;
  by("convert").disabled = session.running !== null;
  showMore();
  showPrints(by("prints"), plates());
  showWay();
}

// The way back and onward, for whoever has no hand on the keys.
function showWay() {
  const ids = plates().map((plate) => plate.id);
  const place = ids.indexOf(here());
  by("way").hidden = place < 0;
  by("place").textContent = `${place + 1} of ${ids.length}`;
  by("previous").disabled = place <= 0;
  by("next").disabled = place === ids.length - 1;
}

function renewSoon() {
  clearTimeout(soon);
  soon = setTimeout(renew, 60);
}

function plates() {
  return inOrder(session.plates, by("doubtful-first").checked);
}

function showMore() {
  const links = session.files.map((name) => make("a", { href: `output/${encodeURIComponent(name)}`, target: "_blank", rel: "noopener" }, name));
  const buttons = [];
  const offer = (name, text, begin) => {
    if (session.can.includes(name)) buttons.push(make("button", { type: "button", onclick: () => { by("more").open = false; begin(); } }, text));
  };
  offer("convert", "Proof sheet and report, made anew", () => work.start("convert", {}));
  offer("convert", "Convert, with pages at true size", () => work.start("convert", { true_size: true }));
  offer("print-negative", "Print negative…", () => askPrintNegative(session, desk.id, work));
  offer("share", "Pictures to share…", () => askShare(session, desk.id, work));
  offer("archive", "Archive…", () => askArchive(session, work));
  by("more-list").replaceChildren(...links, ...buttons);
}

function here() {
  const found = /^#\/plate\/(.+)$/.exec(location.hash);
  return found ? decodeURIComponent(found[1]) : null;
}

async function follow() {
  by("more").open = false;
  if (!session) await renew();
  if (!session) return;
  const id = here();
  const open = id !== null && session.plates.some((plate) => plate.id === id);
  by("prints").hidden = open;
  by("plate").hidden = !open;
  showWay();
  if (open) {
    await desk.open(id);
    return;
  }
  const before = desk.id;
  desk.close();
  if (before) {
    const print = [...by("prints").children].find((item) => item.dataset.id === before);
    if (print) print.firstChild.focus();
  }
}

function step(by_) {
  const ids = plates().map((plate) => plate.id);
  const place = ids.indexOf(desk.id ?? "");
  const next = ids[Math.max(0, Math.min(ids.length - 1, place + by_))];
  if (next && next !== desk.id) location.hash = `#/plate/${encodeURIComponent(next)}`;
}

function stepPrints(across) {
  const links = [...by("prints").querySelectorAll("a")];
  const place = links.indexOf(document.activeElement);
  const next = links[Math.max(0, Math.min(links.length - 1, place + across))];
  if (next) { next.focus(); next.scrollIntoView({ block: "nearest" }); }
}

async function goBack(address) {
  try {
    const told = await tell(address);
    if (told.plate && desk.id) {
      if (told.plate !== desk.id) location.hash = `#/plate/${encodeURIComponent(told.plate)}`;
      else await desk.renew();
    }
  } catch (error) {
    work.say(error.message, true);
  }
  renewSoon();
}

const DESK_KEYS = {
  ArrowRight: () => step(1),
  ArrowLeft: () => step(-1),
  Escape: () => {
    if (desk.corners) desk.endCorners();
    else if (desk.board.drawn) desk.board.clearFrame();
    else location.hash = "#/";
  },
  1: () => desk.setLayer("positive"),
  2: () => desk.setLayer("captured"),
  3: () => desk.setLayer("density"),
  "+": () => desk.board.zoom(1.5),
  "=": () => desk.board.zoom(1.5),
  "-": () => desk.board.zoom(1 / 1.5),
  w: () => desk.board.whole(),
  p: () => desk.board.pixels(),
  c: () => desk.toggleCorners(),
  l: () => desk.turn(-90),
  r: () => desk.turn(90),
  m: () => desk.mirror(),
  x: () => desk.toggleMeasuring(),
  o: () => desk.readMiddle(),
  d: () => desk.darker(0.1),
  b: () => desk.darker(-0.1),
  s: () => desk.steeper(0.05),
  f: () => desk.steeper(-0.05),
  " ": () => desk.check(),
  n: () => desk.note.focus(),
};
const ALWAYS = ["Escape", "ArrowLeft", "ArrowRight", " ", "n"]; // also while a plate opens, or cannot be opened
const PRINT_KEYS = { ArrowRight: () => stepPrints(1), ArrowLeft: () => stepPrints(-1) };
const PAN = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

document.addEventListener("keydown", (event) => {
  if (document.querySelector("dialog[open]")) return;
  if (event.key === "Escape" && by("more").open) {
    by("more").open = false;
    by("more").querySelector("summary").focus();
    return;
  }
  const at = event.target;
  const typing = at.matches("textarea, select, input:not([type=checkbox]):not([type=radio])");
  if ((event.ctrlKey || event.metaKey) && !event.altKey && event.key.toLowerCase() === "z" && !typing) {
    event.preventDefault();
    goBack(event.shiftKey ? "api/redo" : "api/undo");
    return;
  }
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (typing) {
    if (event.key === "Escape") at.blur();
    return;
  }
  if (event.key === "?") { showHelp(); return; }
  if (desk.id && event.shiftKey && PAN[event.key]) {
    event.preventDefault();
    desk.board.pan(...PAN[event.key]);
    return;
  }
  const pressesIt = at.matches("button, summary, a, input") && (event.key === " " || event.key === "Enter");
  const choosesLayer = at.matches("input[type=radio]") && event.key.startsWith("Arrow");
  if (pressesIt || choosesLayer) return;
  const keys = desk.id ? DESK_KEYS : PRINT_KEYS;
  const act = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (act && (!desk.id || desk.plate || ALWAYS.includes(event.key))) {
    event.preventDefault();
    act();
  }
});

by("doubtful-first").addEventListener("change", () => { showPrints(by("prints"), plates()); showWay(); });
by("previous").addEventListener("click", () => step(-1));
by("next").addEventListener("click", () => step(1));
by("past").addEventListener("click", (event) => { event.preventDefault(); by("table").focus(); }); // the address is the plate's
by("undo").addEventListener("click", () => goBack("api/undo"));
by("redo").addEventListener("click", () => goBack("api/redo"));
by("convert").addEventListener("click", () => work.start("convert", {}));
by("help-button").addEventListener("click", showHelp);
window.addEventListener("hashchange", follow);

listen((kind, facts) => {
  work.heard(kind, facts);
  if (kind === "closed") work.say("This page is closed: platebench review has ended.", true);
  if (["changed", "done", "begun"].includes(kind)) renewSoon();
  if (desk.id && (kind === "changed" || (kind === "ready" && facts.plate === desk.id))) desk.renew();
});
follow();
