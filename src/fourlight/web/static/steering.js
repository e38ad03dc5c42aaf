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
  canvas.addEventListener("wheel", (event) => {
    const { x, y } = under(canvas, seeing, event);
    seeing.zoom(Math.exp(-event.deltaY / 300), x, y, canvas.width, canvas.height);
    event.preventDefault();
  }, { passive: false });
  canvas.addEventListener("pointerdown", (event) => {
    held = under(canvas, seeing, event);
    follow = grabbed(event, held);
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    const now = under(canvas, seeing, event);
    if (held && follow) follow.move(event, now);
    else if (held) seeing.move(held.x - now.x, held.y - now.y);
    else seeing.point({ x: Math.floor(now.x), y: Math.floor(now.y), from: owner });
  });
  canvas.addEventListener("pointerup", () => {
    if (held) follow?.end?.();
    held = null;
  });
  canvas.addEventListener("pointercancel", () => (held = null));
  canvas.addEventListener("pointerleave", () => seeing.point(null));
  canvas.addEventListener("keydown", (event) => pressed(canvas, seeing, event));
}

function pressed(canvas, seeing, event) {
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
