// One place and scale that all panels share.

export class Seeing extends EventTarget {
  constructor(nx, ny) {
    super();
    this.nx = nx;
    this.ny = ny;
    this.x = nx / 2;
    this.y = ny / 2;
    this.scale = 0; // screen pixels for one of the image; 0: the whole image fits
    this.spot = null;
    this.choosing = false; // whether dragging chooses a region, instead of moving
    this.region = null; // left, upper, right, lower edge in pixels of the image
  }

  // The scale at which the whole image fits a panel.
  fit(width, height) {
    return Math.min(width / this.nx, height / this.ny);
  }

  scaleIn(width, height) {
    return this.scale || this.fit(width, height);
  }

  move(dx, dy) {
    this.#place(this.x + dx, this.y + dy);
  }

  // Zoom by a factor about a point of the image that stays where it is.
  zoom(factor, x, y, width, height) {
    const before = this.scaleIn(width, height);
    const least = this.fit(width, height);
    const after = Math.min(32, Math.max(least, before * factor));
    this.scale = after <= least ? 0 : after;
    this.#place(x + ((this.x - x) * before) / after, y + ((this.y - y) * before) / after);
  }

  whole() {
    this.scale = 0;
    this.#place(this.nx / 2, this.ny / 2);
  }

  // One pixel of the screen for each of the image.
  single() {
    this.scale = 1;
    this.#place(this.x, this.y);
  }

  // The region between two points.
  span(one, other) {
    const edge = (value, most) => Math.min(most, Math.max(0, Math.round(value)));
    const [x, y] = [[one.x, other.x].sort((a, b) => a - b), [one.y, other.y].sort((a, b) => a - b)];
    this.mark([edge(x[0], this.nx), edge(y[0], this.ny), edge(x[1], this.nx), edge(y[1], this.ny)]);
  }

  mark(region) {
    this.region = region;
    this.dispatchEvent(new Event("pointed"));
  }

  point(spot) {
    this.spot = spot;
    this.dispatchEvent(new Event("pointed"));
  }

  #place(x, y) {
    this.x = Math.min(this.nx, Math.max(0, x));
    this.y = Math.min(this.ny, Math.max(0, y));
    this.dispatchEvent(new Event("moved"));
  }
}
