// A canvas that shows one plane, or three as red, green and blue, where the shared view is.
//
// What it shows are layers: `planes` is one name, or three; `tables` is a function that gives for a name the packed (one)
// or 8-bit (three) table; `from` and `to` are the parts of the width between which it is seen.

import { fitted, steered } from "./steering.js";

export class Panel {
  // red: a function that says whether all is shown in shades of red.
  constructor(canvas, tiles, seeing, planes, tables, red) {
    Object.assign(this, { canvas, tiles, seeing, red });
    this.layers = [this.layer(planes, tables)];
    this.waiting = false;
    this.edition = 0;
    seeing.addEventListener("moved", () => this.later());
    seeing.addEventListener("pointed", () => this.later());
    new ResizeObserver(() => this.later()).observe(canvas);
    steered(canvas, seeing, this, (_, start) => this.#chosen(start));
  }

  layer(planes, tables, from = 0, to = 1) {
    return { planes, tables, from, to, drawn: new WeakMap() };
  }

  // Show these layers from now on.
  show(layers) {
    this.layers = layers;
    this.later();
  }

  // Tables have changed: what was drawn holds no longer.
  restretch() {
    this.edition += 1;
    this.later();
  }

  later() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.draw();
    });
  }

  draw() {
    const { width, height } = fitted(this.canvas);
    if (!width || !height) return;
    const begun = performance.now();
    const context = this.canvas.getContext("2d", { alpha: false });
    const scale = this.seeing.scaleIn(width, height);
    context.fillStyle = "#000";
    context.fillRect(0, 0, width, height);
    context.imageSmoothingEnabled = scale < 1;
    const fine = Math.min(this.tiles.facts.levels - 1, Math.max(0, Math.floor(-Math.log2(scale) + 1e-6)));
    for (const layer of this.layers) {
      context.save();
      context.beginPath();
      context.rect(layer.from * width, 0, (layer.to - layer.from) * width, height);
      context.clip();
      this.#layer(context, layer, fine, width, height, scale);
      context.restore();
    }
    this.#frame(context, width, height, scale);
    this.#mark(context, width, height, scale);
    this.took = performance.now() - begun;
    this.canvas.dispatchEvent(new CustomEvent("drawn", { detail: { took: this.took } }));
  }

  #window(level, width, height, scale) {
    const { side, rows, columns } = this.tiles.layout(level);
    const [x0, y0] = [this.seeing.x - width / 2 / scale, this.seeing.y - height / 2 / scale];
    const [x1, y1] = [x0 + width / scale, y0 + height / scale];
    const within = (value, most) => Math.min(most, Math.max(0, value));
    return {
      x0, y0, side,
      first: [within(Math.floor(y0 / side), rows), within(Math.floor(x0 / side), columns)],
      last: [within(Math.ceil(y1 / side), rows), within(Math.ceil(x1 / side), columns)],
    };
  }

  #layer(context, layer, fine, width, height, scale) {
    const coarsest = this.tiles.facts.levels - 1;
    // coarser ones stay where finer ones have not come
    const between = this.#complete(layer, fine, width, height, scale) ? [] : [...Array(Math.max(0, coarsest - fine - 1)).keys()];
    for (const level of new Set([coarsest, ...between.map((k) => coarsest - 1 - k), fine]))
      this.#level(context, layer, level, width, height, scale, level === fine || level === coarsest);
  }

  #complete(layer, level, width, height, scale) {
    const { first, last } = this.#window(level, width, height, scale);
    for (let row = first[0]; row < last[0]; row++)
      for (let column = first[1]; column < last[1]; column++)
        if (!layer.planes.every((plane) => this.tiles.have(plane, level, row, column))) return false;
    return true;
  }

  #level(context, layer, level, width, height, scale, ask) {
    const { x0, y0, side, first, last } = this.#window(level, width, height, scale);
    for (let row = first[0]; row < last[0]; row++)
      for (let column = first[1]; column < last[1]; column++) {
        const found = layer.planes.map((plane) => this.tiles.have(plane, level, row, column));
        if (found.every(Boolean)) {
          const image = this.#image(layer, found);
          const [x, y] = [(column * side - x0) * scale, (row * side - y0) * scale];
          const zoom = scale * (1 << level);
          context.drawImage(image, x, y, image.width * zoom, image.height * zoom);
        } else if (ask) {
          for (const plane of layer.planes)
            this.tiles.want(plane, level, row, column).then(() => this.later(), (error) => this.#failed(error));
        }
      }
  }

  #failed(error) {
    this.canvas.dispatchEvent(new CustomEvent("failed", { detail: error.message, bubbles: true }));
  }

  // The tile as it looks with the tables of now.
  #image(layer, found) {
    const kept = layer.drawn.get(found[0]);
    if (kept && kept.edition === this.edition) return kept.image;
    const { width, height } = found[0];
    const image = kept?.image ?? new OffscreenCanvas(width, height);
    const context = image.getContext("2d", { alpha: false });
    const pixels = kept?.pixels ?? context.createImageData(width, height);
    const out = new Uint32Array(pixels.data.buffer);
    const tables = layer.planes.map((plane) => layer.tables(plane));
    if (found.length === 1) {
      const [codes, table] = [found[0].codes, tables[0]];
      for (let k = 0; k < out.length; k++) out[k] = table[codes[k]];
    } else {
      const [r, g, b] = found.map((tile) => tile.codes);
      const [red, green, blue] = tables;
      if (this.red())
        for (let k = 0; k < out.length; k++)
          out[k] = 0xff000000 | (0.2126 * red[r[k]] + 0.7152 * green[g[k]] + 0.0722 * blue[b[k]]);
      else
        for (let k = 0; k < out.length; k++)
          out[k] = 0xff000000 | (blue[b[k]] << 16) | (green[g[k]] << 8) | red[r[k]];
    }
    context.putImageData(pixels, 0, 0);
    layer.drawn.set(found[0], { image, pixels, edition: this.edition });
    return image;
  }

  // The region that is chosen, and the edges between layers.
  #frame(context, width, height, scale) {
    context.strokeStyle = getComputedStyle(this.canvas).color;
    for (const layer of this.layers.slice(1)) context.strokeRect(layer.from * width - 0.5, -1, 0, height + 2);
    if (!this.seeing.region) return;
    const [x0, y0, x1, y1] = this.seeing.region;
    const at = (x, y) => [(x - this.seeing.x) * scale + width / 2, (y - this.seeing.y) * scale + height / 2];
    const [[left, top], [right, bottom]] = [at(x0, y0), at(x1, y1)];
    context.setLineDash([6, 4]);
    context.strokeRect(left, top, right - left, bottom - top);
    context.setLineDash([]);
  }

  // Where a region is to be chosen, moves of the pointer span it.
  #chosen(start) {
    const { seeing } = this;
    if (!seeing.choosing) return null;
    return { move: (_, now) => seeing.span(start, now), end: () => seeing.dispatchEvent(new Event("chosen")) };
  }

  // Where the pointer of any panel is.
  #mark(context, width, height, scale) {
    const spot = this.seeing.spot;
    if (!spot || spot.from === this) return;
    const x = (spot.x + 0.5 - this.seeing.x) * scale + width / 2;
    const y = (spot.y + 0.5 - this.seeing.y) * scale + height / 2;
    context.strokeStyle = getComputedStyle(this.canvas).color;
    context.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      context.moveTo(x + 4 * dx, y + 4 * dy);
      context.lineTo(x + 10 * dx, y + 10 * dy);
    }
    context.stroke();
  }
}
