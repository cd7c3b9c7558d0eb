// The front: sessions used lately, a folder to choose, and the day's work in it, each step with its command.

import { make } from "./make.js";
import { ask, Gone, listen, tell, whenGone } from "./server.js";
import { AtTheBox } from "./watch.js";
import { Work } from "./work.js";

const by = (id) => document.getElementById(id);
const work = new Work();
const say = (error) => { if (!(error instanceof Gone)) work.say(error.message, true); };
const NAMES = { start: "Draft the session", check: "Check the captures", convert: "Convert", review: "Open the review page", watch: "Watch and judge as you shoot" };
const box = new AtTheBox(by("box"), say);
let running = null;

function chosen() {
  const found = /^#\/folder\/(.*)$/.exec(location.hash);
  try {
    return found ? decodeURIComponent(found[1]) : "";
  } catch {
    return "";
  }
}

function leadTo(path) {
  return `#/folder/${encodeURIComponent(path)}`;
}

async function renew() {
  try {
    const front = await ask("api/front");
    document.documentElement.dataset.ground = front.ground;
    running = front.running;
    by("front").hidden = running === "watch";
    if (running !== "watch") box.end();
    else if (by("box").hidden) { box.begin(front.watched); work.box.hidden = true; }
    showLately(front.lately);
    show(await tell("api/folder", { folder: chosen() }));
  } catch (error) {
    say(error);
  }
}

function showLately(sessions) {
  by("lately").replaceChildren(make("h2", { id: "lately-title" }, "Sessions used lately"), sessions.length
    ? make("ul", { class: "plain" }, ...sessions.map((one) => make("li", {}, make("a", { href: leadTo(one.path) }, one.name), make("div", { class: "facts" }, one.path))))
    : make("p", {}, "None yet. Choose the folder your captures are in."));
}

function show(folder) {
  by("where").textContent = chosen() ? folder.path : "";
  const steps = [];
  folder.above.forEach((one, place) => {
    if (place > 1) steps.push("/ ");
    steps.push(make("a", { href: leadTo(one.path) }, one.name), " ");
  });
  by("folders").replaceChildren(make("h2", { id: "folders-title" }, "Choose a folder"), make("p", { class: "above" }, ...steps),
    make("ul", { class: "plain" }, ...folder.within.map((one) => make("li", {}, make("a", { href: leadTo(one.path) }, one.name)))),
    folder.within.length ? "" : make("p", { class: "facts" }, "No folders in it."),
    folder.more ? make("p", { class: "facts" }, `and ${folder.more} more`) : "");
  const state = folder.session ? (folder.converted ? "a session, converted" : "a session, not converted yet")
    : folder.captures ? `${folder.captures} ${folder.captures === 1 ? "file" : "files"} to look at, no session.toml yet` : "nothing to work on in this folder itself";
  by("day").replaceChildren(make("h2", { id: "day-title" }, chosen() ? `The day's work: ${folder.name}` : "The day's work"),
    make("p", { class: "facts" }, chosen() ? state : "Choose a folder, and each step can be begun here."),
    make("ol", { class: "day" }, ...folder.day.map((step) => make("li", {}, make("h3", {}, step.name), make("p", {}, step.what), ...step.ways.map((way) => wayOf(folder, way))))));
}

// One way to do a step: a button where it can be begun here, and the command that does the same.
function wayOf(folder, way) {
  const name = NAMES[way.does];
  const able = chosen() && running === null && (way.does === "watch" || (way.does === "start" ? folder.captures && !folder.session : folder.session));
  return make("div", { class: "way" },
    name ? make("button", { type: "button", disabled: !able, onclick: () => begin(way.does, folder.path) }, name) : null,
    make("code", {}, way.command));
}

async function begin(name, folder) {
  try {
    if (name === "review") location.assign((await tell("api/open", { folder })).address);
    else await tell(`api/do/${name}`, { folder });
  } catch (error) {
    say(error);
  }
}

window.addEventListener("hashchange", renew);
whenGone((gone) => {
  by("gone").textContent = gone ? "The server has stopped. Run platebench again and open its new address." : "";
  if (!gone) renew();
}, () => {});
listen((kind, facts) => {
  if (kind === "arrived") { box.heard(facts); return; }
  if (running !== "watch" || kind === "done") work.heard(kind, facts);
  if (["changed", "begun", "done"].includes(kind)) renew();
});
renew();
