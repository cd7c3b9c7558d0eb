// One plate, down to its pixels. The address of each tile is worked out here: a file:// page may fetch nothing.
/* global OpenSeadragon */
const holder = document.getElementById("deep");
const plate = JSON.parse(holder.dataset.tiles);
const scales = plate.scales;

function tile(level, column, row) {
  const scale = scales[scales.length - 1 - level];
  const side = plate.tile * scale;
  const left = column * side, top = row * side;
  const width = Math.min(side, plate.width - left), height = Math.min(side, plate.height - top);
  const size = `${Math.ceil(width / scale)},${Math.ceil(height / scale)}`;
  const whole = left === 0 && top === 0 && width === plate.width && height === plate.height;
  const region = whole ? "full" : `${left},${top},${width},${height}`;
  return `${plate.at}/${region}/${whole && scale === 1 ? "max" : size}/0/default.jpg`;
}

const picture = document.getElementById("whole");
holder.replaceChildren();
const viewer = OpenSeadragon({
  element: holder,
  drawer: "canvas",
  showNavigationControl: false,
  animationTime: 0.3,
  maxZoomPixelRatio: 4,
  minZoomImageRatio: 0.9,
  gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: true },
  tileSources: {
    width: plate.width, height: plate.height, tileSize: plate.tile, tileOverlap: 0,
    minLevel: 0, maxLevel: scales.length - 1, getTileUrl: tile,
  },
});
viewer.addHandler("open", () => {
  viewer.world.getItemAt(0).addHandler("fully-loaded-change", (event) => { holder.dataset.loaded = event.fullyLoaded; });
});
viewer.addHandler("open-failed", () => holder.replaceChildren(picture));
viewer.canvas.setAttribute("aria-label", "Picture; arrow keys move it, plus and minus zoom");
viewer.canvas.setAttribute("role", "img");
document.querySelector(".hands").hidden = false;
const by = (id, act) => document.getElementById(id).addEventListener("click", act);
by("nearer", () => viewer.viewport.zoomBy(1.6).applyConstraints());
by("farther", () => viewer.viewport.zoomBy(1 / 1.6).applyConstraints());
by("fit", () => viewer.viewport.goHome());
