// A picture of the server, ready to be drawn: in its colours, or in shades of red for eyes that are used to the dark.

import { get } from "./asking.js";

const BAND = 256; // rows whose pixels are looked at together

export class ShownImage {
  constructor(bitmap) {
    this.bitmap = bitmap;
    this.reddened = null;
  }

  static async from(address) {
    const response = await get(address);
    return new ShownImage(await createImageBitmap(await response.blob()));
  }

  // What is drawn; the light of a red picture is that of the other as the eye weights it (Rec. ITU-R BT.709).
  drawn(red) {
    if (!red) return this.bitmap;
    this.reddened ??= this.#red();
    return this.reddened;
  }

  #red() {
    const { width, height } = this.bitmap;
    const canvas = new OffscreenCanvas(width, height);
    const context = canvas.getContext("2d", { alpha: false, willReadFrequently: true });
    context.drawImage(this.bitmap, 0, 0);
    for (let y = 0; y < height; y += BAND) {
      const pixels = context.getImageData(0, y, width, Math.min(BAND, height - y));
      const data = pixels.data;
      for (let k = 0; k < data.length; k += 4) {
        data[k] = 0.2126 * data[k] + 0.7152 * data[k + 1] + 0.0722 * data[k + 2];
        data[k + 1] = data[k + 2] = 0;
      }
      context.putImageData(pixels, 0, y);
    }
    return canvas;
  }
}
