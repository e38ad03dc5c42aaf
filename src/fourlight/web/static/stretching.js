// From codes of light to what a screen shows: one table of 65,536 entries for each plane.

const CODES = 65536;

const asinh = Math.asinh;

// Light of every code; not a number where it is 0.
export function lightOf(code) {
  const low = asinh((code.lowest - code.sky) / code.soft);
  const high = asinh((code.highest - code.sky) / code.soft);
  const light = new Float32Array(CODES);
  const step = (high - low) / (CODES - 2);
  for (let k = 1; k < CODES; k++) light[k] = code.sky + code.soft * Math.sinh(low + (k - 1) * step);
  light[0] = NaN;
  return light;
}

// What a plane of unknown sky is counted in: noise of its pixels, from its usual level.
export const ownSteps = (code) => ({ sky: code.sky, step: code.soft / 3 });

// Brightness 0 to 255 of every code: an inverse hyperbolic sine from `black` to `white`, which bends at `bend`.
// `step` is what black, white and bend are counted in, from the level of the sky.
export function tableOf(light, { sky, step }, { black, white, bend }) {
  const from = sky + black * step;
  const scale = 1 / (bend * step);
  const top = asinh((white - black) / bend);
  const table = new Uint8ClampedArray(CODES);
  for (let k = 1; k < CODES; k++) table[k] = (255 * asinh(Math.max(0, light[k] - from) * scale)) / top;
  return table;
}

// Packed pixels (red lowest) of a grey plane, or in the red theme of a red one.
export function packed(table, red) {
  const out = new Uint32Array(CODES);
  for (let k = 0; k < CODES; k++) {
    const v = table[k];
    out[k] = red ? 0xff000000 | v : 0xff000000 | (v << 16) | (v << 8) | v;
  }
  return out;
}
