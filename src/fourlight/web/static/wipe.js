// Two pictures of one field under one view: one left of an edge that can be moved, the other right of it.

import { fitted, steered } from "./steering.js";

const GRIP = 14; // screen pixels beside the edge in which it is taken hold of

export class Wipe extends EventTarget {
  constructor(canvas, seeing, red) {
    super();
    Object.assign(this, { canvas, seeing, red, before: null, after: null, edge: 0.5, waiting: false });
    seeing.addEventListener("moved", () => this.later());
    new ResizeObserver(() => this.later()).observe(canvas);
    steered(canvas, seeing, this, (event) => this.#grabbed(event));
    canvas.addEventListener("pointermove", (event) => canvas.classList.toggle("at-edge", this.#near(event)));
  }

  // `before` is null where only one picture is shown.
  show(before, after) {
    Object.assign(this, { before, after });
    this.later();
  }

  move(edge) {
    this.edge = Math.min(1, Math.max(0, edge));
    this.later();
  }

  later() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.#draw();
    });
  }

  #part(event) {
    const box = this.canvas.getBoundingClientRect();
    return (event.clientX - box.left) / box.width;
  }

  #near(event) {
    return Boolean(this.before) && Math.abs(this.#part(event) - this.edge) * this.canvas.clientWidth < GRIP;
  }

  #grabbed(event) {
    if (!this.#near(event)) return null;
    const move = (moved) => {
      this.move(this.#part(moved));
      this.dispatchEvent(new Event("edge"));
    };
    return { move };
  }

  #draw() {
    const { width, height } = fitted(this.canvas);
    if (!width || !height || !this.after) return;
    const context = this.canvas.getContext("2d", { alpha: false });
    context.fillStyle = "#000";
    context.fillRect(0, 0, width, height);
    this.#picture(context, this.after, width, height);
    if (!this.before) return;
    const x = Math.round(this.edge * width);
    context.save();
    context.beginPath();
    context.rect(0, 0, x, height);
    context.clip();
    context.fillRect(0, 0, x, height);
    this.#picture(context, this.before, width, height);
    context.restore();
    context.fillStyle = getComputedStyle(this.canvas).color;
    context.fillRect(x - 1, 0, 2, height);
    context.beginPath();
    context.arc(x, height / 2, 6 * (devicePixelRatio || 1), 0, 2 * Math.PI);
    context.fill();
  }

  // Every picture fills the field, however many pixels it has.
  #picture(context, shown, width, height) {
    const { seeing } = this;
    const scale = seeing.scaleIn(width, height);
    const image = shown.drawn(this.red());
    context.imageSmoothingEnabled = (scale * seeing.nx) / image.width < 2;
    context.imageSmoothingQuality = "high";
    context.drawImage(image, width / 2 - seeing.x * scale, height / 2 - seeing.y * scale, seeing.nx * scale, seeing.ny * scale);
  }
}
