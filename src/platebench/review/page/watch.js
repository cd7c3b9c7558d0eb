// While capturing: one large view of what has just come, to be read from two metres away.

import { make } from "./make.js";
import { tell } from "./server.js";

const WORDS = { good: "Good", look: "Look", again: "Take it again" };

export class AtTheBox {
  constructor(section, say) {
    this.section = section;
    this.say = say;
  }

  // The first view, until something comes.
  begin(folder) {
    this.sound ??= make("input", { type: "checkbox", checked: true });
    this.word = make("h2", { class: "word", id: "box-word" }, "Waiting for a capture");
    this.what = make("p", { class: "what" }, folder);
    this.change = make("p", { class: "change" });
    this.next = make("p", { class: "next" });
    this.topics = make("ul", { class: "topics" });
    this.picture = make("div", { class: "taken" });
    this.section.className = "box";
    this.section.replaceChildren(
      make("div", { class: "told", role: "status" }, this.word, this.what, this.change, this.next), this.picture, this.topics,
      make("div", { class: "row" }, make("label", {}, this.sound, "sound when a capture must be taken again"),
        make("button", { type: "button", onclick: () => this.stop() }, "Stop watching")));
    this.section.hidden = false;
  }

  end() {
    this.section.hidden = true;
    this.section.replaceChildren();
  }

  async stop() {
    try {
      await tell("api/stop");
    } catch (error) {
      this.say(error);
    }
  }

  heard(facts) {
    if (!this.word?.isConnected) return;
    if (facts.state === null) { this.what.textContent = facts.waiting.join("; "); return; }
    this.section.className = `box ${facts.state}`;
    this.word.textContent = WORDS[facts.state];
    this.what.textContent = [...facts.plates, ...facts.files].slice(0, 4).join(", ");
    this.change.textContent = facts.change;
    this.next.textContent = facts.next ? `Next: ${facts.next}` : "";
    this.topics.replaceChildren(...facts.topics.map((one) => make("li", { class: one.state }, make("strong", {}, `${one.topic}: ${WORDS[one.state].toLowerCase()}`), make("span", {}, one.text))));
    const id = facts.plates.at(-1);
    this.picture.replaceChildren(...(id ? [make("img", { src: `api/taken/${encodeURIComponent(id)}.jpg?at=${Date.now()}`, alt: `Positive of ${id}` })] : []));
    if (facts.state !== "again") return;
    this.section.classList.remove("flash");
    void this.section.offsetWidth; // so that the flash begins anew
    this.section.classList.add("flash");
    if (this.sound.checked) this.beep();
  }

  beep() {
    try {
      this.audio ??= new AudioContext();
      const tone = this.audio.createOscillator(), loud = this.audio.createGain();
      tone.frequency.value = 660;
      loud.gain.value = 0.2;
      tone.connect(loud).connect(this.audio.destination);
      tone.start();
      tone.stop(this.audio.currentTime + 0.5);
    } catch {
      this.sound.checked = false; // no sound here; the page still flashes
    }
  }
}
