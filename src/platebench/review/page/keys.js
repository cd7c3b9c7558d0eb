// Which key does what. A field that was used with the pointer gives the keys back to the page.

const PAN = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const ALWAYS = ["Escape", "ArrowLeft", "ArrowRight", "Home", "End", "PageUp", "PageDown", " ", "n"]; // also while a plate opens, or cannot be opened
const WALK = ["ArrowRight", "ArrowLeft", "ArrowDown", "ArrowUp", "Home", "End", "PageUp", "PageDown"];
const SLIDES = [...WALK];

export function listenToKeys({ desk, prints, many, step, undo, redo, help, closeMore, find }) {
  const deskKeys = {
    ArrowRight: () => step(1), ArrowLeft: () => step(-1),
    PageDown: () => step(10), PageUp: () => step(-10), Home: () => step(-Infinity), End: () => step(Infinity),
    Escape: () => { if (!desk.leave()) location.hash = "#/"; },
    1: () => desk.setLayer("positive"), 2: () => desk.setLayer("captured"), 3: () => desk.setLayer("density"), 4: () => desk.setLayer("negative"),
    v: () => desk.compare.divide(), h: () => desk.compare.showBefore(),
    "+": () => desk.board.zoom(1.5), "=": () => desk.board.zoom(1.5), "-": () => desk.board.zoom(1 / 1.5),
    w: () => desk.board.whole(), p: () => desk.board.pixels(),
    c: () => desk.toggleCorners(), l: () => desk.turn(-90), r: () => desk.turn(90), m: () => desk.mirror(),
    x: () => desk.toggleMeasuring(), o: () => desk.readMiddle(),
    d: () => desk.darker(0.1), b: () => desk.darker(-0.1), s: () => desk.steeper(0.05), f: () => desk.steeper(-0.05),
    " ": () => desk.check(), n: () => desk.note.focus(),
  };
  const printKeys = {
    " ": (at) => { const item = at.closest("#prints li"); if (item) prints.toggle(item.dataset.id); },
    Escape: () => prints.choose([]),
    "/": find,
    k: () => { if (prints.chosen.size) many.toggleChecked(); },
    l: () => { if (prints.chosen.size) many.turn(-90); },
    r: () => { if (prints.chosen.size) many.turn(90); },
  };

  document.addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]")) return;
    if (event.key === "Escape" && closeMore()) return;
    const at = event.target, letter = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const writes = at.matches("textarea, input[type=text], input[type=search], input[type=number]");
    const control = event.ctrlKey || event.metaKey;
    if (control && !event.altKey && letter === "z" && !writes) {
      event.preventDefault();
      (event.shiftKey ? redo : undo)();
      return;
    }
    if (control && letter === "a" && !desk.id && !writes) {
      event.preventDefault();
      prints.chooseAll();
      return;
    }
    if (control || event.altKey) return;
    if (writes || at.matches("select")) {
      if (event.key === "Escape") at.blur();
      return;
    }
    if (at.matches("input[type=range], [role=slider]") && SLIDES.includes(event.key)) return;
    if (event.key === "?") { help(); return; }
    if (desk.id && event.shiftKey && PAN[event.key]) {
      event.preventDefault();
      desk.board.pan(...PAN[event.key]);
      return;
    }
    if (!desk.id && WALK.includes(event.key)) {
      event.preventDefault();
      prints.walk(event.key, event.shiftKey);
      return;
    }
    const print = at.closest("#prints li");
    const pressesIt = at.matches("button, summary, a, input") && (event.key === "Enter" || (event.key === " " && !print));
    const choosesLayer = at.matches("input[type=radio]") && event.key.startsWith("Arrow");
    if (pressesIt || choosesLayer) return;
    const act = (desk.id ? deskKeys : printKeys)[letter];
    if (act && (!desk.id || desk.plate || ALWAYS.includes(event.key))) {
      event.preventDefault();
      act(at);
    }
  });

  document.addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "h" && desk.id) desk.compare.hideBefore(); });

  // After a choice with the pointer the arrows are the page's again, not the field's.
  let pointed = null;
  document.addEventListener("pointerdown", (event) => { pointed = event.target; });
  document.addEventListener("keydown", () => { pointed = null; }, true);
  document.addEventListener("change", (event) => {
    if (event.target === pointed && event.target.matches("select, input[type=range], input[type=radio], input[type=checkbox]")) event.target.blur();
  });
}
