// The picture of one plate, from the whole down to its pixels.

/* global OpenSeadragon */
import { make } from "./make.js";
import { plateAddress } from "./server.js";

export class Board {
  constructor(element, heard) {
    this.element = element;
    this.heard = heard; // { point(layer, x, y), away(), rectangle(layer, box), moved() }
    this.measuring = false;
    this.deep = make("div", { class: "deep" });
    element.append(this.deep);
    this.viewer = new OpenSeadragon.Viewer({
      element: this.deep,
      drawer: "canvas",
      prefixUrl: "",
      showNavigationControl: false,
      animationTime: 0.3,
      immediateRender: true,
      visibilityRatio: 0.3,
      minZoomImageRatio: 0.7,
      maxZoomPixelRatio: 6,
      preserveViewport: true,
      imageLoaderLimit: 6,
      maxImageCacheCount: 300,
      gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: true },
      gestureSettingsTouch: { clickToZoom: false, dblClickToZoom: true },
    });
    this.viewer.addHandler("canvas-key", (event) => { event.preventDefaultAction = true; });
    for (const moved of ["animation", "resize", "open", "update-viewport"]) {
      this.viewer.addHandler(moved, () => { this.placeFrame(); this.negative?.again?.(); this.heard.moved(); });
    }
    this.viewer.addHandler("animation-finish", () => { if (!this.drawn) this.readAgain(); });
    this.viewer.canvas.removeAttribute("tabindex"); // the keys are the page's own
    this.deep.querySelectorAll("[tabindex]").forEach((part) => part.removeAttribute("tabindex"));
    this.followPointer();
    this.followRectangle();
    this.followFitting();
  }

  close() {
    this.pair = null;
    this.viewer.destroy();
  }

  // Show a layer of a plate. The same picture made anew takes the old one's place once it is there.
  show(plate, layer) {
    const size = plate.layers[layer];
    const key = `${plate.id}|${layer}|${size.width}x${size.height}`;
    const source = sourceOf(plate, layer);
    const whole = `${key}|${plate.version}`;
    if (whole === this.shown) return;
    const same = this.key === key && this.item;
    this.plate = plate;
    this.layer = layer;
    this.key = key;
    this.shown = whole;
    if (same) {
      this.layOver(source);
      this.readAgain();
    } else {
      this.clearTried();
      this.clearFrame();
      this.viewer.open(source);
      this.viewer.addOnceHandler("open", () => {
        this.fitted = true;
        this.viewer.viewport.goHome(true);
        this.pair?.leader.takeAlong(this);
        this.readAgain();
        this.item.addOnceHandler("fully-loaded-change", () => this.clearFirst());
      });
    }
  }

  // While a plate is being read, the preview that conversion left stands in for it.
  showFirst(line) {
    this.clearFirst();
    if (!line || !line.preview) return;
    this.first = make("img", { class: "first", alt: "", src: `${plateAddress(line.id)}/thumb.jpg?side=480&v=${line.preview}` });
    this.deep.before(this.first);
  }

  clearFirst() {
    if (this.first) this.first.remove();
    this.first = null;
  }

  // Take the picture away: another plate is to come, or none can be shown.
  blank() {
    this.clearFirst();
    this.clearTried();
    this.clearFrame();
    this.viewer.close();
    this.key = null;
    this.shown = null;
    this.layer = null;
  }

  get item() {
    return this.viewer.world.getItemCount() ? this.viewer.world.getItemAt(0) : null;
  }

  // Lay the negative over the positive, whose place it has; `laid` is called once it can be cut.
  layNegative(plate, laid) {
    const lift = this.negative = {};
    this.viewer.addTiledImage({
      tileSource: sourceOf(plate, "negative"),
      success: ({ item }) => {
        if (this.negative !== lift) return this.viewer.world.removeItem(item);
        this.negative.item = item;
        this.negative.again = laid;
        return laid();
      },
    });
  }

  liftNegative() {
    if (this.negative?.item) this.viewer.world.removeItem(this.negative.item);
    this.negative = null;
  }

  // Show the negative right of a share of the board's width only.
  clipOver(share) {
    const item = this.negative?.item;
    if (!item) return;
    const { x: width, y: height } = item.source.dimensions;
    const left = Math.max(0, Math.min(width - 1, item.viewerElementToImageCoordinates(new OpenSeadragon.Point(share * this.deep.clientWidth, 0)).x));
    item.setClip(new OpenSeadragon.Rect(left, 0, width - left, height));
  }

  // Two boards show the same part of their plates, as large against the whole. The one in hand leads.
  link(other) {
    this.pair = other.pair = { leader: this };
    for (const [board, follower] of [[this, other], [other, this]]) {
      board.deep.addEventListener("pointerenter", () => board.lead());
      for (const way of ["animation", "zoom", "pan"]) board.viewer.addHandler(way, () => board.takeAlong(follower));
    }
    this.takeAlong(other);
  }

  lead() {
    if (this.pair) this.pair.leader = this;
  }

  takeAlong(other) {
    if (other === this || this.pair?.leader !== this || other.pair !== this.pair || !other.item || !this.item) return;
    const mine = this.viewer.viewport, theirs = other.viewer.viewport;
    other.fitted = this.fitted;
    if (this.fitted) { theirs.goHome(true); return; }
    const [from, to] = [this.item.getBounds(true), other.item.getBounds(true)], middle = mine.getCenter(true);
    theirs.zoomTo((mine.getZoom(true) / mine.getHomeZoom()) * theirs.getHomeZoom(), null, true);
    theirs.panTo(new OpenSeadragon.Point(to.x + ((middle.x - from.x) / from.width) * to.width, to.y + ((middle.y - from.y) / from.height) * to.height), true);
  }

  // Lay a quick picture over the deep one while its tiles are still to come.
  showTried(address) {
    const picture = make("img", { class: "tried", alt: "" });
    picture.addEventListener("load", () => {
      if (!this.item) return;
      this.clearTried();
      this.tried = picture;
      this.viewer.addOverlay({ element: picture, location: this.item.getBounds(true) });
      this.element.dataset.tried = address;
    });
    picture.src = address;
  }

  // Lay the picture made anew over the old one, which goes once all of what is seen has come.
  layOver(source) {
    const shown = this.shown;
    this.viewer.addTiledImage({
      tileSource: source,
      success: ({ item }) => {
        const world = this.viewer.world;
        const settle = () => {
          if (this.shown !== shown) return;
          while (world.getItemCount() > 1) world.removeItem(world.getItemAt(0));
          this.clearTried();
        };
        if (this.shown !== shown) world.removeItem(item); // another has been asked for since
        else if (item.getFullyLoaded()) settle();
        else item.addHandler("fully-loaded-change", (event) => { if (event.fullyLoaded) settle(); });
      },
    });
  }

  clearTried() {
    if (this.tried) this.viewer.removeOverlay(this.tried);
    this.tried = null;
    delete this.element.dataset.tried;
  }

  // Places: of the layer's pixels (the first one's centre is 0, 0), and of the board.
  toLayer(x, y) {
    if (!this.item) return null;
    const place = this.item.viewerElementToImageCoordinates(new OpenSeadragon.Point(x, y));
    return { x: place.x - 0.5, y: place.y - 0.5 };
  }

  toBoard(x, y) {
    if (!this.item) return null;
    return this.item.imageToViewerElementCoordinates(new OpenSeadragon.Point(x + 0.5, y + 0.5));
  }

  middle() {
    this.readAt = { x: this.deep.clientWidth / 2, y: this.deep.clientHeight / 2 };
    return this.toLayer(this.deep.clientWidth / 2, this.deep.clientHeight / 2);
  }

  // What lies under the pointer, or in the rectangle, is another thing than before.
  readAgain() {
    if (this.drawn) {
      this.measure(...this.framed);
      return;
    }
    const place = this.readAt && this.toLayer(this.readAt.x, this.readAt.y);
    if (place && this.layer) this.heard.point(this.layer, place.x, place.y);
  }

  // Whoever zooms or pans has a place of their own; until then the whole plate is fitted to the board.
  followFitting() {
    const moved = () => { this.fitted = false; };
    for (const way of ["canvas-drag", "canvas-scroll", "canvas-pinch", "canvas-double-click"]) this.viewer.addHandler(way, moved);
    this.viewer.addHandler("resize", () => { if (this.fitted) setTimeout(() => { if (this.item) this.viewer.viewport.goHome(true); }); });
  }

  zoom(by) {
    this.lead();
    this.fitted = false;
    this.viewer.viewport.zoomBy(by);
    this.viewer.viewport.applyConstraints();
  }

  whole() {
    this.lead();
    this.fitted = true;
    this.viewer.viewport.goHome();
  }

  pixels() {
    this.lead();
    this.fitted = false;
    if (this.item) this.viewer.viewport.zoomTo(this.item.imageToViewportZoom(1));
  }

  pan(across, down) {
    this.lead();
    this.fitted = false;
    const viewport = this.viewer.viewport;
    const step = viewport.getBounds().width / 10;
    viewport.panBy(new OpenSeadragon.Point(across * step, down * step));
    viewport.applyConstraints();
  }

  followPointer() {
    this.deep.addEventListener("pointermove", (event) => {
      const box = this.deep.getBoundingClientRect();
      this.readAt = { x: event.clientX - box.left, y: event.clientY - box.top };
      const place = this.toLayer(this.readAt.x, this.readAt.y);
      if (place && this.layer) this.heard.point(this.layer, place.x, place.y);
    });
    this.deep.addEventListener("pointerleave", () => { this.readAt = null; this.heard.away(); });
  }

  followRectangle() {
    let from = null;
    const wanted = (event) => this.measuring || event.originalEvent.shiftKey;
    this.viewer.addHandler("canvas-press", (event) => {
      from = this.item && wanted(event) ? this.toLayer(event.position.x, event.position.y) : null;
      if (from) this.frame(from, from);
    });
    this.viewer.addHandler("canvas-drag", (event) => {
      if (!from) return;
      event.preventDefaultAction = true;
      this.frame(from, this.toLayer(event.position.x, event.position.y));
    });
    this.viewer.addHandler("canvas-drag-end", (event) => {
      if (from) event.preventDefaultAction = true;
    });
    this.viewer.addHandler("canvas-release", (event) => {
      if (!from) return;
      const to = this.toLayer(event.position.x, event.position.y);
      this.measure(from, to);
      from = null;
    });
  }

  // Read the middle of what is seen, a quarter of its width and height: the same by keyboard.
  measureMiddle() {
    if (!this.item) return;
    const { clientWidth: width, clientHeight: height } = this.deep;
    this.measure(this.toLayer(width * 0.375, height * 0.375), this.toLayer(width * 0.625, height * 0.625));
  }

  measure(a, b) {
    const least = 1; // a rectangle of a pixel at least
    if (Math.abs(a.x - b.x) < least || Math.abs(a.y - b.y) < least) return this.clearFrame();
    this.frame(a, b);
    const box = [Math.min(a.y, b.y), Math.min(a.x, b.x), Math.max(a.y, b.y), Math.max(a.x, b.x)];
    this.heard.rectangle(this.layer, box.map((value) => value + 0.5));
  }

  // Draw a rectangle between two places of the layer; it stays on them while the picture moves.
  frame(a, b) {
    if (!this.drawn) {
      this.drawn = make("div", { class: "drawn" });
      this.element.append(this.drawn);
    }
    this.framed = [a, b];
    this.placeFrame();
  }

  placeFrame() {
    if (!this.drawn || !this.item) return;
    const [a, b] = this.framed.map((place) => this.toBoard(place.x, place.y));
    Object.assign(this.drawn.style, {
      left: `${Math.min(a.x, b.x)}px`, top: `${Math.min(a.y, b.y)}px`,
      width: `${Math.abs(a.x - b.x)}px`, height: `${Math.abs(a.y - b.y)}px`,
    });
  }

  clearFrame() {
    if (!this.drawn) return;
    this.drawn.remove();
    this.drawn = null;
    this.heard.released();
  }
}

function sourceOf(plate, layer) {
  const size = plate.layers[layer];
  return {
    width: size.width,
    height: size.height,
    tileSize: plate.tile,
    tileOverlap: 0,
    minLevel: Math.max(0, size.last_level - 6),
    maxLevel: size.last_level,
    getTileUrl: (level, x, y) => `${plateAddress(plate.id)}/tiles/${layer}/${plate.version}/${level}/${x}_${y}.jpg`,
  };
}
