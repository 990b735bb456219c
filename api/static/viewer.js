// The photo with its overlay: pan, zoom and pinch by moving the SVG's viewBox, so that the shapes stay in px of the photo.
// `unit` is how many px of the photo one px of the screen is wide.

const CLOSEST = 1 / 12; // photo px a screen px: a hole of 3 mm then fills a phone
const STEP = 1.5; // of one press of a zoom button or key
const PAN_SHARE = 0.15; // of the view, by one arrow key
const SLACK_PX = 8; // a finger that moved less has tapped
const RING_PX = 12; // from the chosen rim to the ring round it
const REACH_PX = 26; // a tap this near to a rim means its hole: half a touch target
const NARROW = 1280; // the narrowest view of the photo that is asked for; then half its size, then all of it

export class Viewer {
  /** stage: the element round the SVG; onChoose(key | null, findingAnchor | null) is called for what was tapped. */
  constructor(stage, onChoose) {
    this.stage = stage;
    this.svg = stage.querySelector("svg");
    this.image = this.svg.querySelector("image");
    this.photo = { width: Number(this.svg.dataset.width), height: Number(this.svg.dataset.height) };
    const [x, y, width, height] = this.svg.getAttribute("viewBox").split(/[ ,]+/).map(Number);
    this.first = { x, y, width, height };
    this.tags = [...this.svg.querySelectorAll(".tag")];
    this.rims = [...this.svg.querySelectorAll(".rim-link")];
    this.spots = [...this.svg.querySelectorAll(".spot")];
    this.ring = this.svg.querySelector("#ring");
    this.onChoose = onChoose;
    this.fingers = new Map();
    this.served = 0;
    this.listen();
    this.home();
  }

  get unit() {
    return this.view.width / this.stage.clientWidth;
  }

  /** The first view: every part, as large as the stage allows. */
  home() {
    this.view = this.fitted(this.first);
    this.apply();
  }

  whole() {
    this.view = this.fitted({ x: 0, y: 0, ...this.photo });
    this.apply();
  }

  /** The least view of the stage's shape that holds the box. */
  fitted({ x, y, width, height }) {
    const shape = this.stage.clientWidth / this.stage.clientHeight;
    const wide = Math.max(width, height * shape);
    const high = wide / shape;
    return { x: x + (width - wide) / 2, y: y + (height - high) / 2, width: wide, height: high };
  }

  /** Enlarges by factor; the point under `at` (client px) stays where it is. */
  zoom(factor, at = null) {
    const box = this.stage.getBoundingClientRect();
    const share = at ? { x: (at.x - box.left) / box.width, y: (at.y - box.top) / box.height } : { x: 0.5, y: 0.5 };
    const widest = this.fitted({ x: 0, y: 0, ...this.photo }).width;
    const width = Math.min(widest, Math.max(CLOSEST * this.stage.clientWidth, this.view.width / factor));
    const height = (width * this.view.height) / this.view.width;
    this.view = {
      x: this.view.x + share.x * (this.view.width - width),
      y: this.view.y + share.y * (this.view.height - height),
      width,
      height,
    };
    this.apply();
  }

  /** Moves the photo under the window by screen px. */
  pan(dx, dy) {
    const unit = this.unit;
    this.view.x -= dx * unit;
    this.view.y -= dy * unit;
    this.apply();
  }

  /** Moves, and enlarges if need be, until the box is well in view. */
  show({ x, y, width, height }) {
    const inside = x >= this.view.x && y >= this.view.y &&
      x + width <= this.view.x + this.view.width && y + height <= this.view.y + this.view.height;
    if (inside && width > 0.06 * this.view.width) return;
    const around = this.fitted({ x: x - 2 * width, y: y - 2 * height, width: 5 * width, height: 5 * height });
    this.view = around.width < this.view.width ? around : { ...this.view, x: x + (width - this.view.width) / 2, y: y + (height - this.view.height) / 2 };
    this.apply();
  }

  showRim(rim) {
    const [x, y, r] = ["x", "y", "r"].map((name) => Number(rim.dataset[name]));
    this.show({ x: x - r, y: y - r, width: 2 * r, height: 2 * r });
  }

  apply() {
    if (this.pending) return;
    this.pending = requestAnimationFrame(() => {
      this.pending = null;
      this.keepInside();
      const { x, y, width, height } = this.view;
      this.svg.setAttribute("viewBox", `${x} ${y} ${width} ${height}`);
      this.stage.classList.toggle("zoomed", width < 0.98 * this.fitted(this.first).width);
      this.placeTags();
      this.placeRing();
      this.sharpen();
    });
  }

  /** Round the chosen rim or spot, a little outside it on the screen. */
  placeRing() {
    const chosen = this.svg.querySelector(".rim-link.chosen, .spot.chosen");
    this.ring.setAttribute("visibility", chosen ? "visible" : "hidden");
    if (!chosen) return;
    const { x, y, r } = chosen.dataset;
    for (const circle of this.ring.children) {
      for (const [name, value] of [["cx", x], ["cy", y], ["r", Number(r) + RING_PX * this.unit]]) circle.setAttribute(name, value);
    }
  }

  keepInside() {
    for (const [from, size, whole] of [["x", "width", this.photo.width], ["y", "height", this.photo.height]]) {
      const middle = Math.min(whole, Math.max(0, this.view[from] + this.view[size] / 2));
      this.view[from] = middle - this.view[size] / 2;
    }
  }

  /** Names keep their size on the screen; one that would cover another waits until there is room. The chosen one goes first. */
  placeTags() {
    const unit = this.unit;
    const shown = [];
    const rank = (tag) => (tag.closest(".chosen") ? -1 : Number(tag.dataset.rank));
    for (const tag of [...this.tags].sort((a, b) => rank(a) - rank(b))) {
      const ring = tag.closest(".chosen") ? RING_PX * unit : 0;
      const { x, y, r } = tag.parentElement.dataset; // of the rim or spot that it names
      const away = (Number(r) + ring) * 0.72;
      const [left, top] = [Number(x) + away, Number(y) - away];
      const [wide, high] = [Number(tag.dataset.wide) * unit, 26 * unit];
      const box = { left, top: top - high, right: left + wide, bottom: top };
      const free = shown.every((o) => box.right < o.left || box.left > o.right || box.bottom < o.top || box.top > o.bottom);
      tag.style.visibility = free ? "visible" : "hidden";
      if (!free) continue;
      tag.setAttribute("transform", `translate(${left} ${top}) scale(${unit})`);
      shown.push(box);
    }
  }

  /** Asks for a larger photo when the one shown has fewer px than the screen, and swaps it in once it is here. */
  sharpen() {
    const needed = (this.photo.width / this.unit) * Math.min(2, window.devicePixelRatio || 1);
    const { width: all } = this.photo;
    const width = [NARROW, all / 2].find((each) => each >= needed) ?? all;
    if (width <= this.served) return;
    this.served = width;
    const url = this.image.dataset.source + (width === all / 2 ? "" : `?width=${width}`);
    const coming = new Image();
    coming.onload = () => {
      if (width === this.served) this.image.setAttribute("href", url);
    };
    coming.src = url;
  }

  /** The rim or spot meant by a tap: the nearest within reach. */
  meant(clientX, clientY) {
    const box = this.stage.getBoundingClientRect();
    const x = this.view.x + (clientX - box.left) * this.unit;
    const y = this.view.y + (clientY - box.top) * this.unit;
    const outside = (d) => Math.max(0, Math.hypot(x - d.x, y - d.y) - d.r);
    let [nearest, least] = [null, REACH_PX * this.unit];
    for (const shape of [...this.rims, ...this.spots]) {
      const gap = outside({ x: Number(shape.dataset.x), y: Number(shape.dataset.y), r: Number(shape.dataset.r) });
      if (gap < least) [nearest, least] = [shape, gap];
    }
    return nearest;
  }

  listen() {
    const { stage } = this;
    stage.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && !stage.contains(document.activeElement) && !stage.classList.contains("zoomed")) return;
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY / 400), { x: event.clientX, y: event.clientY });
    }, { passive: false });
    stage.addEventListener("pointerdown", (event) => this.down(event));
    stage.addEventListener("pointermove", (event) => this.move(event));
    for (const end of ["pointerup", "pointercancel"]) stage.addEventListener(end, (event) => this.fingers.delete(event.pointerId));
    stage.addEventListener("click", (event) => this.click(event));
    stage.addEventListener("dblclick", (event) => this.zoom(2, { x: event.clientX, y: event.clientY }));
    stage.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.resized()).observe(stage);
  }

  resized() {
    if (!this.stage.clientWidth) return;
    const { x, y, width, height } = this.view;
    this.view = this.fitted({ x, y, width, height });
    this.apply();
  }

  down(event) {
    if (this.fingers.size === 0) this.moved = 0;
    this.fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (event.pointerType === "mouse") this.stage.focus({ preventScroll: true });
  }

  move(event) {
    const before = this.fingers.get(event.pointerId);
    if (!before) return;
    const now = { x: event.clientX, y: event.clientY };
    const [dx, dy] = [now.x - before.x, now.y - before.y];
    this.moved += Math.hypot(dx, dy);
    if (this.moved > SLACK_PX && !this.stage.hasPointerCapture(event.pointerId)) this.stage.setPointerCapture(event.pointerId);
    const other = [...this.fingers].find(([id]) => id !== event.pointerId)?.[1];
    this.fingers.set(event.pointerId, now);
    if (!other) return void this.pan(dx, dy);
    const spread = (point) => Math.hypot(point.x - other.x, point.y - other.y) || 1;
    this.pan(dx / 2, dy / 2);
    this.zoom(spread(now) / spread(before), { x: (now.x + other.x) / 2, y: (now.y + other.y) / 2 });
  }

  click(event) {
    const byKey = event.detail === 0;
    const shape = byKey ? event.target.closest(".rim-link, .spot") : this.moved > SLACK_PX ? null : this.meant(event.clientX, event.clientY);
    if (event.target.closest("a")) event.preventDefault();
    if (shape) this.onChoose(shape.dataset.key ?? null, shape.dataset.finding ?? null);
  }

  key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const zooms = { "+": STEP, "=": STEP, "-": 1 / STEP };
    const ways = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    if (event.key in zooms) this.zoom(zooms[event.key]);
    else if (event.key === "0") this.home();
    else if (event.key in ways && event.target === this.stage) {
      const [x, y] = ways[event.key];
      this.pan(x * PAN_SHARE * this.stage.clientWidth, y * PAN_SHARE * this.stage.clientHeight);
    } else return;
    event.preventDefault();
  }

  /** The buttons of a toolbar: data-view="closer | wider | parts | whole". */
  obey(toolbar) {
    const does = { closer: () => this.zoom(STEP), wider: () => this.zoom(1 / STEP), parts: () => this.home(), whole: () => this.whole() };
    toolbar.addEventListener("click", (event) => does[event.target.closest("[data-view]")?.dataset.view]?.());
  }
}
