// Keys on the picture.

import { GRID_MM, tidy } from "./model.mjs";
import { byId, canvas, choose, chosenParts, commit, say, state, ui, view } from "./app.mjs";
import { addAt, copyGrid, moveChosen, removeChosen, rotateChosen, setCorner, setMark, step, toggleAdding, toggleGrid, travel, zoomBy } from "./actions.mjs";
import { fit, redraw } from "./showing.mjs";

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function arrow([dx, dy], fine) {
  if (ui.step === "parts") {
    const size = fine ? 0.1 : GRID_MM;
    if (ui.chosen.size) return moveChosen(dx * size, dy * size);
    ui.cursor = [tidy(ui.cursor[0] + dx * size), tidy(ui.cursor[1] + dy * size)];
    say(`Crosshair at ${ui.cursor[0]}, ${ui.cursor[1]} mm`);
    return redraw();
  }
  const size = fine ? 0.25 : 5 / Math.min(view.scale, 5);
  if (ui.corner !== null && state().corners[ui.corner]) {
    const corners = state().corners.map(([x, y], i) => (i === ui.corner ? [x + dx * size, y + dy * size] : [x, y]));
    return commit({ ...state(), corners }, `corner-keys:${ui.corner}`);
  }
  ui.cursor = [ui.cursor[0] + dx * size, ui.cursor[1] + dy * size];
  return redraw();
}

function enter() {
  if (ui.step === "corners") return setCorner(ui.cursor);
  if (ui.step === "marks") return setMark(ui.cursor);
  byId("f-ref").focus();
  return byId("f-ref").select();
}

const KEYS = {
  n: () => ui.step === "parts" && addAt(ui.chosen.size ? [chosenParts().at(-1).x_mm + 12.7, chosenParts().at(-1).y_mm] : ui.cursor),
  a: () => toggleAdding(),
  g: () => toggleGrid(),
  r: (event) => ui.step === "parts" && rotateChosen(event.shiftKey ? -90 : 90),
  c: () => ui.step === "parts" && copyGrid(),
  "[": () => step(-1),
  "]": () => step(1),
  "+": () => zoomBy(1.25),
  "=": () => zoomBy(1.25),
  "-": () => zoomBy(0.8),
  0: () => fit(),
  delete: () => removeChosen(),
  backspace: () => removeChosen(),
  enter: () => enter(),
  escape: () => {
    ui.corner = null;
    choose([]);
  },
  ...Object.fromEntries([1, 2, 3, 4].map((n) => [n, () => {
    if (ui.step !== "corners") return;
    ui.corner = n <= state().corners.length ? n - 1 : null;
    redraw();
  }])),
};

canvas.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const move = ARROWS[event.key];
  const action = move ? () => arrow(move, event.shiftKey) : KEYS[event.key.toLowerCase()];
  if (!action) return;
  event.preventDefault();
  action(event);
});

window.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey)) return;
  const typing = /INPUT|SELECT|TEXTAREA/.test(document.activeElement?.tagName ?? "");
  const key = event.key.toLowerCase();
  if (typing || !["z", "y", "a"].includes(key)) return;
  event.preventDefault();
  if (key === "a") choose(state().parts.map((part) => part.id));
  else travel(key === "z" && !event.shiftKey ? "undo" : "redo");
});
