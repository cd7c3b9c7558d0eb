// What the page's work has made: the picture of it, what to know before using it, and its files.

import { make } from "./make.js";

export function madeAddress(file) {
  return `made/${file.number}/${encodeURIComponent(file.name)}`;
}

export function linkTo(file) {
  return make("a", { href: madeAddress(file), target: "_blank", rel: "noopener" }, file.name);
}

// Worth a panel: something to look at, or to know. Other work is told in a line.
export function showMade(facts) {
  const files = facts.files || [], notes = facts.notes || [], cautions = facts.cautions || [];
  const picture = files.find((file) => file.picture);
  if (!picture && !notes.length && !cautions.length) return false;
  const box = document.getElementById("made");
  const list = (lines) => make("ul", {}, ...lines.map((line) => make("li", {}, line)));
  box.replaceChildren(...[
    // a new file under an old name is not the one seen before
    picture ? make("a", { href: madeAddress(picture), target: "_blank", rel: "noopener" },
      make("img", { src: `${madeAddress(picture)}?at=${Date.now()}`, alt: `Picture of ${picture.name}` })) : null,
    make("div", { class: "about" },
      ...facts.said.map((line) => make("p", {}, sentence(line))),
      notes.length ? list(notes.map(sentence)) : null,
      make("p", { class: "files" }, ...files.map(linkTo)),
      cautions.length ? make("h2", {}, "Cautions") : null,
      cautions.length ? list(cautions) : null,
    ),
    make("button", { type: "button", onclick: () => { box.hidden = true; } }, "Close"),
  ].filter(Boolean));
  box.hidden = false;
  box.scrollTop = 0;
  return true;
}

function sentence(text) {
  const whole = text[0].toUpperCase() + text.slice(1);
  return /[.!?]$/.test(whole) ? whole : `${whole}.`;
}
