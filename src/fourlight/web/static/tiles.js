// Tiles of planes, fetched once: codes of 16 bits with their width.

import { get } from "./asking.js";

const MOST = 400; // 512 x 512 codes are half a megabyte

export class Tiles {
  constructor(name, facts) {
    this.name = name;
    this.facts = facts;
    this.held = new Map();
    this.asked = new Map();
  }

  // Size of the tiles of a level, and how many there are each way.
  layout(level) {
    const side = this.facts.tile_px << level;
    return { side, rows: Math.ceil(this.facts.ny / side), columns: Math.ceil(this.facts.nx / side) };
  }

  // The tile if it is here, or null.
  have(plane, level, row, column) {
    const key = `${plane}/${level}/${row}/${column}`;
    const found = this.held.get(key);
    if (found) {
      this.held.delete(key);
      this.held.set(key, found);
    }
    return found ?? null;
  }

  // The tile as soon as it has come.
  async want(plane, level, row, column) {
    const key = `${plane}/${level}/${row}/${column}`;
    if (this.held.has(key)) return this.held.get(key);
    if (!this.asked.has(key)) this.asked.set(key, this.#fetched(key, level, column));
    try {
      return await this.asked.get(key);
    } finally {
      this.asked.delete(key);
    }
  }

  async #fetched(key, level, column) {
    const response = await get(`/tiles/${this.name}/${this.facts.version}/${key}`);
    const codes = new Uint16Array(await response.arrayBuffer());
    const { side } = this.layout(level);
    const width = Math.ceil(Math.min(side, this.facts.nx - column * side) / (1 << level));
    const tile = { codes, width, height: codes.length / width };
    this.held.set(key, tile);
    while (this.held.size > MOST) this.held.delete(this.held.keys().next().value);
    return tile;
  }
}
