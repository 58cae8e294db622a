// The picture: zoomed, panned, wiped against another, and never older than what is shown already.
export class Picture {
  constructor(canvas, probe) {
    this.canvas = canvas;
    this.probe = probe;
    this.main = null;
    this.beside = null;
    this.size = null; // of the frame in its own pixels
    this.wipe = null;
    this.wanted = 0;
    this.newest = { main: 0, beside: 0 };
    this.zoom = null; // screen pixels a pixel of the frame; whole frame where null
    this.centre = null;
    this.flipped = null;
    this.marks = []; // places on the reference still, in its pixels
    this.picking = null; // who waits for a click: told where in the frame, as shares of its sides
    new ResizeObserver(() => this.draw()).observe(canvas);
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoomBy(event.deltaY < 0 ? 1.25 : 0.8, this.place(event));
    }, { passive: false });
    canvas.addEventListener("pointerdown", (event) => this.grab(event));
    canvas.addEventListener("keydown", (event) => this.key(event));
  }

  async take(head, blob) {
    // Decoded in the order of arrival; a picture of a state that has passed is dropped.
    this.turn = (this.turn ?? Promise.resolve()).then(async () => {
      if (head.number < this.newest[head.place]) return;
      const bitmap = await createImageBitmap(blob);
      // Pixels of a first look are whole blocks of the frame's: their last may end beyond it, or before.
      bitmap.covers = [bitmap.width * head.block, bitmap.height * head.block];
      this[head.place]?.close();
      this[head.place] = bitmap;
      this.newest[head.place] = head.number;
      if (head.place === "main") {
        // What was zoomed into is a place of a picture of that size.
        if (String(this.size) !== String(head.full)) this.zoom = this.centre = null;
        this.size = head.full;
        this.canvas.dataset.number = head.number;
        this.canvas.dataset.coarse = head.coarse;
        this.canvas.dataset.frame = head.frame;
        this.canvas.dataset.shows = head.shows;
      } else this.canvas.dataset.beside = head.shows;
      this.flipped = null;
      this.draw();
    });
    return this.turn;
  }

  copy() { return createImageBitmap(this.main); }

  flip(bitmap) { this.flipped = bitmap; this.draw(); }

  fit() { this.zoom = this.centre = null; this.draw(); }

  pixelForPixel() { this.zoom = 1; this.centre = null; this.draw(); }

  view() {
    const [wide, high] = this.size;
    const { width, height } = this.canvas;
    const zoom = this.zoom ?? Math.min(width / wide, height / high);
    const [x, y] = this.centre ?? [wide / 2, high / 2];
    let [left, top] = [width / 2 - x * zoom, height / 2 - y * zoom];
    if (Number.isInteger(zoom)) [left, top] = [Math.round(left), Math.round(top)];
    return { zoom, left, top };
  }

  draw() {
    const ratio = window.devicePixelRatio || 1;
    const box = this.canvas.getBoundingClientRect();
    this.canvas.width = Math.max(1, Math.round(box.width * ratio));
    this.canvas.height = Math.max(1, Math.round(box.height * ratio));
    const shown = this.flipped ?? this.main;
    if (!shown || !this.size) return;
    const to = this.canvas.getContext("2d");
    const { zoom, left, top } = this.view();
    const [wide, high] = [this.size[0] * zoom, this.size[1] * zoom];
    to.imageSmoothingEnabled = zoom < 1 || this.canvas.dataset.coarse === "true";
    to.imageSmoothingQuality = "high";
    const lay = (bitmap) => {
      const [across, down] = bitmap.covers ?? this.size;
      to.drawImage(bitmap, left, top, across * zoom, down * zoom);
    };
    lay(shown);
    if (this.canvas.dataset.shows === "reference") this.drawMarks(to, { zoom, left, top });
    if (this.wipe === null || !this.beside) return;
    const edge = left + wide * this.wipe;
    to.save();
    to.beginPath();
    to.rect(edge, top, left + wide - edge, high);
    to.clip();
    lay(this.beside);
    to.restore();
    to.fillStyle = "#d6d6d6";
    to.fillRect(Math.round(edge), top, 1, high);
  }

  mark(marks) { this.marks = marks; this.draw(); }

  drawMarks(to, { zoom, left, top }) {
    const em = 14 * (window.devicePixelRatio || 1);
    to.font = `${em}px system-ui, sans-serif`;
    this.marks.forEach(({ x, y }, index) => {
      const [across, down] = [left + (x + 0.5) * zoom, top + (y + 0.5) * zoom];
      // Light on dark, to be seen on any water.
      for (const [colour, wide] of [["#161616", 4], ["#f0e2c0", 1.5]]) {
        to.strokeStyle = colour;
        to.lineWidth = (wide * em) / 14;
        to.beginPath();
        to.arc(across, down, em / 2, 0, 2 * Math.PI);
        to.stroke();
      }
      to.lineWidth = em / 5;
      to.strokeStyle = "#161616";
      to.strokeText(String(index + 1), across + 0.7 * em, down + 0.35 * em);
      to.fillStyle = "#f0e2c0";
      to.fillText(String(index + 1), across + 0.7 * em, down + 0.35 * em);
    });
  }

  place(event) {
    const ratio = window.devicePixelRatio || 1;
    const box = this.canvas.getBoundingClientRect();
    return [(event.clientX - box.left) * ratio, (event.clientY - box.top) * ratio];
  }

  inFrame([x, y]) {
    const { zoom, left, top } = this.view();
    return [(x - left) / zoom, (y - top) / zoom];
  }

  zoomBy(factor, around) {
    if (!this.size) return;
    const from = this.inFrame(around);
    const { zoom } = this.view();
    this.zoom = Math.min(64, Math.max(0.05, zoom * factor));
    const { width, height } = this.canvas;
    this.centre = [from[0] - (around[0] - width / 2) / this.zoom, from[1] - (around[1] - height / 2) / this.zoom];
    this.draw();
  }

  pan(across, down) {
    const { zoom } = this.view();
    const [x, y] = this.centre ?? [this.size[0] / 2, this.size[1] / 2];
    this.zoom = zoom;
    this.centre = [x + across / zoom, y + down / zoom];
    this.draw();
  }

  grab(event) {
    if (!this.size) return;
    this.canvas.setPointerCapture(event.pointerId);
    let last = this.place(event);
    let moved = 0;
    const move = (next) => {
      const now = this.place(next);
      moved += Math.abs(now[0] - last[0]) + Math.abs(now[1] - last[1]);
      if (moved > 4) this.pan(last[0] - now[0], last[1] - now[1]);
      last = now;
    };
    const drop = () => {
      this.canvas.removeEventListener("pointermove", move);
      if (moved <= 4) this.ask(this.inFrame(last));
    };
    this.canvas.addEventListener("pointermove", move);
    this.canvas.addEventListener("pointerup", drop, { once: true });
  }

  pick(then) {
    this.picking = then;
    this.canvas.focus();
  }

  ask([x, y]) {
    const inside = x >= 0 && y >= 0 && x < this.size[0] && y < this.size[1];
    if (this.picking && inside) {
      const then = this.picking;
      this.picking = null;
      then([x / this.size[0], y / this.size[1]]);
    } else this.probe(Math.floor(x), Math.floor(y));
  }

  key(event) {
    if (!this.size) return;
    const middle = [this.canvas.width / 2, this.canvas.height / 2];
    const does = {
      "+": () => this.zoomBy(1.25, middle), "=": () => this.zoomBy(1.25, middle), "-": () => this.zoomBy(0.8, middle),
      Escape: () => { this.picking = null; },
      0: () => this.fit(), 1: () => this.pixelForPixel(), Enter: () => this.ask(this.inFrame(middle)),
      ArrowLeft: () => this.pan(-40, 0), ArrowRight: () => this.pan(40, 0),
      ArrowUp: () => this.pan(0, -40), ArrowDown: () => this.pan(0, 40),
    }[event.key];
    if (does && !event.ctrlKey && !event.metaKey) { event.preventDefault(); does(); }
  }
}
