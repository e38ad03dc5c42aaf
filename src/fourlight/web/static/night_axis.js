// Where lights stand along the time: nights side by side, time within each of them as it passed.

const GAP = 10; // screen pixels between nights
const LETTER = 6.8; // width of a letter of the labels, rather too much than too little

const seconds = (light) => (light.time ? Date.parse(light.time) / 1000 : NaN);

// Nights as runs of lights that follow each other; one of no night belongs to the night before it.
function nightsOf(lights) {
  const nights = [];
  for (const light of lights) {
    const last = nights.at(-1);
    if (last && (!light.night || !last.name || last.name === light.night)) {
      last.lights.push(light);
      last.name ??= light.night;
    } else nights.push({ name: light.night, lights: [light] });
  }
  return nights;
}

// Steps from the first light of a night, in units of its usual time from light to light.
function steps(night) {
  const times = night.lights.map(seconds);
  const apart = times.slice(1).map((time, k) => time - times[k]);
  const even = night.lights.map((_, k) => k);
  if (!apart.length || !apart.every((step) => step >= 0)) return even; // a time is not known
  const usual = [...apart].sort((a, b) => a - b)[apart.length >> 1];
  return usual > 0 ? times.map((time) => (time - times[0]) / usual) : even;
}

// Places of all lights between two edges, and of the nights with their labels.
export function nightAxis(lights, left, right) {
  const nights = nightsOf(lights).map((night) => ({ ...night, steps: steps(night) }));
  const gap = Math.min(GAP, (0.3 * (right - left)) / Math.max(1, nights.length));
  const lengths = nights.map((night) => night.steps.at(-1) + 1);
  const unit = (right - left - gap * (nights.length - 1)) / lengths.reduce((a, b) => a + b, 0);
  const x = new Map();
  let from = left;
  for (const [k, night] of nights.entries()) {
    night.lights.forEach((light, j) => x.set(light, from + (night.steps[j] + 0.5) * unit));
    Object.assign(night, { from, to: from + lengths[k] * unit });
    from = night.to + gap;
  }
  label(nights, left, right + GAP);
  return { x, nights };
}

// Names of nights as long as there is room, and hours where there is more.
function label(nights, left, right) {
  let free = left;
  for (const night of nights) {
    const room = night.to - night.from;
    const named = [night.name ?? "", night.name?.slice(5) ?? ""].filter((name) => name.length * LETTER <= room + GAP);
    const [first, last] = [night.lights[0].time, night.lights.at(-1).time].map((time) => time?.slice(11, 16));
    const words = first && last && room > 24 * LETTER ? `${first} ${night.name ?? ""} ${last}` : named[0] ?? night.name?.slice(5) ?? "";
    const half = (words.length * LETTER) / 2;
    const middle = Math.min(right - half, Math.max(left + half, (night.from + night.to) / 2));
    if (words && middle - half >= free) {
      Object.assign(night, { words, middle });
      free = middle + half + LETTER;
    }
  }
}
