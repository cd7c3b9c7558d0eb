// The page: the prints or one plate, by the address; the session as the server tells it.

import { askArchive, askPrintNegative, askShare, showHelp } from "./dialogs.js";
import { Finding, needsLooking } from "./finding.js";
import { listenToKeys } from "./keys.js";
import { make } from "./make.js";
import { Many } from "./many.js";
import { PlateDesk } from "./plate.js";
import { Prints } from "./prints.js";
import { ask, Gone, listen, save, tell, whenGone } from "./server.js";
import { Work } from "./work.js";

const by = (id) => document.getElementById(id);
const work = new Work();
const say = (text, failed) => work.say(text, failed);
let session = null;
let soon = null;

const desk = new PlateDesk(by("plate"), { say, change, changed: () => renew(), session: () => session });
const finding = new Finding(by("finding"), { changed: () => showPlates(), sized: (rem) => keep({ print_size: rem }) });
const prints = new Prints(by("prints"), () => many.show());
const many = new Many(by("many"), {
  plates: () => (here() ? [] : session.plates.filter((plate) => prints.chosen.has(plate.id))),
  session: () => session,
  change,
  letGo: () => prints.choose([]),
});

async function renew() {
  try {
    const told = await ask(session ? `api/session?since=${session.stamp}` : "api/session");
    const anew = new Map(told.plates.map((plate) => [plate.id, plate]));
    session = told.whole ? told : { ...told, plates: session.plates.map((plate) => anew.get(plate.id) ?? plate) };
  } catch (error) {
    if (!(error instanceof Gone)) say(error.message, true);
    return;
  }
  by("title").textContent = session.title;
  document.title = `${session.title}: review page`;
  document.documentElement.dataset.ground = session.kept.ground;
  by("fault").textContent = session.fault;
  by("undo").disabled = session.undo === 0;
  by("redo").disabled = session.redo === 0;
  by("convert").disabled = session.running !== null;
  finding.renew(session);
  showMore();
  showPlates();
}

function showPlates() {
  const shown = plates(), all = session.plates;
  const looking = all.filter(needsLooking).length, checked = all.filter((plate) => plate.settings.checked).length;
  by("count").textContent = [
    shown.length < all.length ? `${shown.length} of ${all.length} plates` : `${all.length} ${all.length === 1 ? "plate" : "plates"}`,
    looking ? `${looking} to look at` : "", checked ? `${checked} looked at` : "",
  ].filter(Boolean).join(", ");
  prints.show(shown);
  showNothing(shown);
  showWay();
}

// Why there is nothing to see, and the way out.
function showNothing(shown) {
  const id = here(), unknown = id !== null && !isOpen(id);
  by("nothing").hidden = !unknown && shown.length > 0;
  if (unknown) by("nothing").replaceChildren(`This session has no plate “${id}”; here are those it has.`);
  else if (!session.plates.length) by("nothing").replaceChildren("session.toml lists no plate yet.");
  else by("nothing").replaceChildren("No plate is like that. ", make("button", { type: "button", onclick: () => { finding.showAll(); finding.renew(session); showPlates(); } }, "Show all"));
}

// The way back and onward, for whoever has no hand on the keys.
function showWay() {
  const ids = plates().map((plate) => plate.id);
  const place = ids.indexOf(here());
  by("way").hidden = !isOpen(here());
  by("place").textContent = place < 0 ? "" : `${place + 1} of ${ids.length}`;
  by("previous").disabled = place <= 0;
  by("next").disabled = place === ids.length - 1;
}

function renewSoon() {
  clearTimeout(soon);
  soon = setTimeout(renew, 60);
}

function plates() {
  return finding.found(session.plates);
}

function isOpen(id) {
  return id !== null && session.plates.some((plate) => plate.id === id);
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
  const ground = make("select", { onchange: () => { document.documentElement.dataset.ground = ground.value; keep({ ground: ground.value }); } },
    ...[["system", "as the system"], ["light", "light"], ["dark", "dark"]].map(([value, text]) => make("option", { value, selected: value === session.kept.ground }, text)));
  const front = session.front ? [make("a", { href: session.front }, "Front: other sessions, the day's work")] : [];
  by("more-list").replaceChildren(...front, ...links, ...buttons, make("label", { class: "field" }, "Page", ground));
}

function here() {
  const found = /^#\/plate\/(.+)$/.exec(location.hash);
  try {
    return found ? decodeURIComponent(found[1]) : null;
  } catch {
    return found[1];
  }
}

async function follow() {
  by("more").open = false;
  if (!session) await renew();
  if (!session) return;
  const id = here(), open = isOpen(id);
  for (const part of ["prints", "finding"]) by(part).hidden = open;
  by("plate").hidden = !open;
  showNothing(plates());
  showWay();
  many.show();
  if (open) {
    await desk.open(id);
    return;
  }
  const before = desk.id;
  desk.close();
  if (before) prints.focus(before);
}

function step(by_) {
  const ids = plates().map((plate) => plate.id);
  const place = ids.indexOf(desk.id ?? "");
  const next = ids[Math.max(0, Math.min(ids.length - 1, place + by_))];
  if (next && next !== desk.id) location.hash = `#/plate/${encodeURIComponent(next)}`;
}

// Set values of plates, by id: one step that one undo takes back.
async function change(changes) {
  try {
    await save(changes);
  } catch (error) {
    say(error.message, true);
  }
  await renew();
  if (desk.id in changes) await desk.renew();
}

async function keep(choices) {
  await tell("api/keep", choices).catch((error) => { if (!(error instanceof Gone)) say(error.message, true); });
}

async function goBack(address) {
  try {
    const told = await tell(address);
    if (told.plates.length && desk.id) {
      if (!told.plates.includes(desk.id)) location.hash = `#/plate/${encodeURIComponent(told.plates[0])}`;
      else await desk.renew();
    }
  } catch (error) {
    if (!(error instanceof Gone)) say(error.message, true);
  }
  renewSoon();
}

function closeMore() {
  if (!by("more").open) return false;
  by("more").open = false;
  by("more").querySelector("summary").focus();
  return true;
}

const undo = () => goBack("api/undo"), redo = () => goBack("api/redo");
listenToKeys({ desk, prints, many, step, undo, redo, help: showHelp, closeMore, find: () => finding.words.focus() });
by("previous").addEventListener("click", () => step(-1));
by("next").addEventListener("click", () => step(1));
by("past").addEventListener("click", (event) => { event.preventDefault(); by("plates").focus(); }); // the address is the plate's
by("undo").addEventListener("click", undo);
by("redo").addEventListener("click", redo);
by("convert").addEventListener("click", () => work.start("convert", {}));
by("help-button").addEventListener("click", showHelp);
window.addEventListener("hashchange", follow);

whenGone((gone, unsaved) => {
  by("gone").textContent = !gone ? "" : `${unsaved ? "Not saved: the" : "The"} server has stopped. What you see stays, and what is not saved is sent when it answers again; after another start of platebench review, open the new address.`;
  if (!gone) { renewSoon(); desk.renew(); }
}, (message) => say(message, true));
listen((kind, facts) => {
  work.heard(kind, facts);
  if (["changed", "done", "begun"].includes(kind)) renewSoon();
  if (desk.id && (kind === "changed" || (kind === "ready" && facts.plate === desk.id))) desk.renew();
});
follow();
