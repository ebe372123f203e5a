// Mouse, pen and finger on the picture.

import { onBody } from "./geometry.mjs";
import { snapped, tidy, updateParts } from "./model.mjs";
import { canvas, choose, chosenParts, commit, state, ui, view } from "./app.mjs";
import { addAt, setCorner, setMark } from "./actions.mjs";
import { markDragged, redraw, showAll } from "./showing.mjs";

function unitsAt(event) {
  const room = canvas.getBoundingClientRect();
  return view.toUnits([event.clientX - room.left, event.clientY - room.top]);
}

function partAt([x, y]) {
  const margin = 4 / view.scale;
  return state().parts.findLast((part) => onBody(part, x, y)) ?? state().parts.findLast((part) => onBody(part, x, y, margin));
}

function cornerAt([x, y]) {
  const near = state().corners.findIndex(([cx, cy]) => Math.hypot(cx - x, cy - y) * view.scale < 16);
  return near < 0 ? null : near;
}

canvas.addEventListener("pointerdown", (event) => {
  canvas.focus();
  canvas.setPointerCapture(event.pointerId);
  ui.touches.set(event.pointerId, [event.clientX, event.clientY]);
  if (ui.touches.size > 1) {
    ui.drag = null;
    return;
  }
  const at = unitsAt(event);
  const start = { at, from: [event.clientX, event.clientY], moved: false };
  if (event.button === 1) ui.drag = { ...start, kind: "pan" };
  else if (ui.step === "corners") {
    ui.corner = cornerAt(at);
    ui.drag = { ...start, kind: ui.corner === null ? "pan" : "corner", click: () => setCorner(at) };
  } else if (ui.step === "marks") {
    ui.drag = { ...start, kind: "pan", click: () => setMark(at) };
  } else {
    const part = partAt(at);
    if (part) {
      if (event.shiftKey) choose(ui.chosen.has(part.id) ? [...ui.chosen].filter((id) => id !== part.id) : [...ui.chosen, part.id]);
      else if (!ui.chosen.has(part.id)) choose([part.id]);
      ui.drag = { ...start, kind: "parts", anchor: part.id, origin: new Map(chosenParts().map((p) => [p.id, [p.x_mm, p.y_mm]])), key: `drag:${Date.now()}` };
    } else {
      ui.drag = { ...start, kind: "pan", click: () => {
        ui.cursor = [snapped(at[0], ui.grid), snapped(at[1], ui.grid)];
        if (ui.adding) addAt(at);
        else choose([]);
      } };
    }
  }
  redraw();
});

canvas.addEventListener("pointermove", (event) => {
  const before = ui.touches.get(event.pointerId);
  if (!before) return;
  const now = [event.clientX, event.clientY];
  if (ui.touches.size === 2) {
    pinch(event.pointerId, before, now);
    return;
  }
  ui.touches.set(event.pointerId, now);
  const { drag } = ui;
  if (!drag) return;
  if (!drag.moved && Math.hypot(now[0] - drag.from[0], now[1] - drag.from[1]) < 4) return;
  drag.moved = true;
  const at = unitsAt(event);
  if (drag.kind === "pan") {
    view.x += now[0] - before[0];
    view.y += now[1] - before[1];
    redraw();
  } else if (drag.kind === "corner") {
    const corners = state().corners.map((corner, i) => (i === ui.corner ? at : corner));
    commit({ ...state(), corners }, `corner:${drag.from}`, { quick: true });
  } else if (drag.kind === "parts" && drag.origin.size) {
    const [x0, y0] = drag.origin.get(drag.anchor) ?? [...drag.origin.values()][0];
    const dx = snapped(x0 + at[0] - drag.at[0], ui.grid) - x0;
    const dy = snapped(y0 + at[1] - drag.at[1], ui.grid) - y0;
    const move = (part) => {
      const [x, y] = drag.origin.get(part.id) ?? [part.x_mm, part.y_mm];
      return { x_mm: tidy(x + dx), y_mm: tidy(y + dy) };
    };
    commit(updateParts(state(), drag.origin.keys(), move), drag.key, { quick: true });
    markDragged();
  }
});

function pinch(id, before, now) {
  const [other] = [...ui.touches].filter(([key]) => key !== id).map(([, point]) => point);
  const room = canvas.getBoundingClientRect();
  const apart = (point) => Math.hypot(point[0] - other[0], point[1] - other[1]) || 1;
  view.x += (now[0] - before[0]) / 2;
  view.y += (now[1] - before[1]) / 2;
  view.zoom(apart(now) / apart(before), [(now[0] + other[0]) / 2 - room.left, (now[1] + other[1]) / 2 - room.top]);
  ui.touches.set(id, now);
  redraw();
}

function endPointer(event) {
  ui.touches.delete(event.pointerId);
  const { drag } = ui;
  ui.drag = null;
  if (drag && !drag.moved && event.type === "pointerup" && drag.click) drag.click();
  if (!drag?.moved || drag.kind === "pan") return;
  showAll();
  // What the part now lies on is marked as well.
  redraw();
}
canvas.addEventListener("pointerup", endPointer);
canvas.addEventListener("pointercancel", endPointer);

canvas.addEventListener("wheel", (event) => {
  event.preventDefault();
  const room = canvas.getBoundingClientRect();
  view.zoom(Math.exp(-event.deltaY * 0.0015), [event.clientX - room.left, event.clientY - room.top]);
  redraw();
}, { passive: false });
