// Work that the page starts, how far it has come, and what was said about it.

import { linkTo, showMade } from "./made.js";
import { make } from "./make.js";
import { tell } from "./server.js";

const NAMES = { watch: "Watching", start: "Looking through the captures", check: "Checking", convert: "Converting", "print-negative": "Print negative", archive: "Archiving", share: "Pictures to share" };

export class Work {
  constructor() {
    this.box = document.getElementById("work");
    this.text = document.getElementById("work-text");
    this.bar = document.getElementById("work-bar");
    this.log = document.getElementById("said");
  }

  async start(name, wishes) {
    try {
      await tell(`api/do/${name}`, wishes);
    } catch (error) {
      this.say(error.message, true);
    }
  }

  heard(kind, facts) {
    if (kind === "begun") this.show(NAMES[facts.task] || facts.task, null);
    if (kind === "progress") this.show(this.told(facts), facts.total ? facts.done / facts.total : null);
    if (kind === "note") this.say(facts.text, false);
    if (kind === "done") {
      this.box.hidden = true;
      if (document.getElementById("made") && showMade(facts)) return;
      facts.said.forEach((line) => this.say(line, facts.failed));
      if (facts.files && facts.files.length) this.put(make("span", { class: "files" }, ...facts.files.map(linkTo)), false);
    }
  }

  told(facts) {
    const name = NAMES[facts.task] || facts.task;
    const left = facts.seconds_left === null ? "" : `, about ${spoken(facts.seconds_left)} left`;
    return `${name}: ${facts.what} ${facts.done} of ${facts.total}${left}`;
  }

  show(text, share) {
    this.box.hidden = false;
    this.text.textContent = text;
    if (share === null) this.bar.removeAttribute("value");
    else this.bar.value = share;
  }

  say(text, failed) {
    this.put(make("span", {}, text), failed);
  }

  put(what, failed) {
    const close = make("button", { type: "button", "aria-label": "Dismiss this message", onclick: () => line.remove() }, "×");
    const line = make("div", { class: failed ? "failed" : "" }, what, close);
    this.log.append(line);
    while (this.log.children.length > 30) this.log.firstChild.remove();
    this.log.scrollTop = this.log.scrollHeight;
  }
}

export function spoken(seconds) {
  return seconds < 90 ? `${Math.max(1, seconds)} s` : `${Math.round(seconds / 60)} min`;
}
