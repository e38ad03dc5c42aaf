// Pointer, wheel and keys on a canvas move and zoom the view that it shares with others.

const KEYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

// The canvas with as many pixels as the screen has for it.
export function fitted(canvas) {
  const ratio = devicePixelRatio || 1;
  const [width, height] = [Math.round(canvas.clientWidth * ratio), Math.round(canvas.clientHeight * ratio)];
  if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
  return { width, height, ratio };
}

// Place of the image under a place of the page.
function under(canvas, seeing, event) {
  const { width, height, ratio } = fitted(canvas);
  const scale = seeing.scaleIn(width, height);
  const box = canvas.getBoundingClientRect();
  const x = ((event.clientX - box.left) * ratio - width / 2) / scale + seeing.x;
  const y = ((event.clientY - box.top) * ratio - height / 2) / scale + seeing.y;
  return { x, y };
}

// `owner` is told apart from other panels where the pointer is. `grabbed`, if given, takes a press of the pointer and its
// place, and gives what follows the moves after it and their end, or nothing where they are to move the view.
export function steered(canvas, seeing, owner, grabbed = () => null) {
  let held = null;
  let follow = null;
  const fingers = new Map(); // pointers that are down, by their numbers
  canvas.addEventListener("wheel", (event) => {
    const { x, y } = under(canvas, seeing, event);
    seeing.zoom(Math.exp(-event.deltaY / 300), x, y, canvas.width, canvas.height);
    event.preventDefault();
  }, { passive: false });
  canvas.addEventListener("pointerdown", (event) => {
    if (event.button) return; // of other buttons the release may go to a menu
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, event);
    held = fingers.size === 1 ? under(canvas, seeing, event) : null;
    follow = held && grabbed(event, held);
  });
  canvas.addEventListener("pointermove", (event) => {
    const now = under(canvas, seeing, event);
    if (fingers.size === 2 && fingers.has(event.pointerId)) pinched(canvas, seeing, fingers, event);
    else if (held && follow) follow.move(event, now);
    else if (held) seeing.move(held.x - now.x, held.y - now.y);
    else if (!fingers.size) seeing.point({ x: Math.floor(now.x), y: Math.floor(now.y), from: owner });
  });
  const released = (event) => {
    fingers.delete(event.pointerId);
    held = null;
  };
  canvas.addEventListener("pointerup", (event) => {
    if (held) follow?.end?.();
    released(event);
  });
  canvas.addEventListener("pointercancel", released);
  canvas.addEventListener("pointerleave", () => seeing.point(null));
  canvas.addEventListener("keydown", (event) => pressed(canvas, seeing, event));
}

// Two fingers: what was between them stays there, as far apart as they are.
function pinched(canvas, seeing, fingers, event) {
  const both = () => {
    const [a, b] = [...fingers.values()];
    const apart = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
    return { apart: Math.max(1, apart), clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2 };
  };
  const before = both();
  fingers.set(event.pointerId, event);
  const after = both();
  const from = under(canvas, seeing, before);
  seeing.zoom(after.apart / before.apart, from.x, from.y, canvas.width, canvas.height);
  const to = under(canvas, seeing, after);
  seeing.move(from.x - to.x, from.y - to.y);
}

function pressed(canvas, seeing, event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return; // keys of the browser
  const { width, height } = fitted(canvas);
  const scale = seeing.scaleIn(width, height);
  if (event.key in KEYS) {
    const step = (event.shiftKey ? 0.5 : 0.1) * Math.min(width, height) / scale;
    seeing.move(KEYS[event.key][0] * step, KEYS[event.key][1] * step);
  } else if (event.key === "+" || event.key === "=") seeing.zoom(2, seeing.x, seeing.y, width, height);
  else if (event.key === "-") seeing.zoom(0.5, seeing.x, seeing.y, width, height);
  else if (event.key === "0") seeing.whole();
  else if (event.key === "1") seeing.single();
  else return;
  event.preventDefault();
}
