// The wall: plates that hold all words sought for, and are of the size asked for.
const words = document.getElementById("words");
const format = document.getElementById("format");
const plates = [...document.querySelectorAll("#wall > li")];

function seek() {
  const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
  const size = format ? format.value : "";
  let count = 0;
  for (const plate of plates) {
    const fits = wanted.every((word) => plate.dataset.words.includes(word)) && (!size || plate.dataset.format === size);
    plate.hidden = !fits;
    if (fits) count += 1;
  }
  document.getElementById("count").textContent = `${count} plate${count === 1 ? "" : "s"}`;
  document.getElementById("none").hidden = count > 0;
}

document.getElementById("sought").addEventListener("submit", (event) => event.preventDefault());
words.addEventListener("input", seek);
if (format) format.addEventListener("change", seek);
seek();
