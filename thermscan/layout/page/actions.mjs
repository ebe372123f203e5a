// What a person can do to the layout, whether by mouse, by key or by button.

import { cornerFault } from "./geometry.mjs";
import { GRID_MM, addParts, gridOf, nextRef, removeParts, snapped, tidy, updateParts } from "./model.mjs";
import { plain } from "./files.mjs";
import { afterChange, byId, canvas, choose, chosenParts, commit, history, say, state, ui, view } from "./app.mjs";
import { redraw, showForm, showHelp } from "./showing.mjs";

export function addAt([x, y]) {
  const taken = new Set(state().parts.map((part) => part.ref));
  const wanted = plain(ui.template.ref) || "U1";
  const ref = taken.has(wanted) ? nextRef(taken, wanted) : wanted;
  const part = { ...ui.template, ref, x_mm: snapped(x, ui.grid), y_mm: snapped(y, ui.grid) };
  const id = state().nextId;
  commit(addParts(state(), [part]));
  ui.template = { ...ui.template, ref: nextRef(taken.add(ref), ref) };
  // While one click after the other adds, the fields and R are for the next part, and not for the one just added.
  ui.lastAdded = id;
  choose(ui.adding ? [] : [id]);
  say(`${ref} added at ${part.x_mm}, ${part.y_mm} mm`);
}

export function followingRef(ref) {
  return nextRef(new Set(state().parts.map((part) => part.ref)), ref);
}

export function copyGrid() {
  const parts = chosenParts();
  if (parts.length !== 1) return say("Select one part to copy.");
  const number = (id) => Number(byId(id).value) || 0;
  const [columns, rows] = [number("c-columns"), number("c-rows")].map((n) => Math.min(100, Math.max(1, Math.round(n))));
  const copies = gridOf(state(), parts[0], { columns, rows, stepX: number("c-step-x"), stepY: number("c-step-y") });
  if (!copies.length) return say("One column and one row is the part itself.");
  commit(addParts(state(), copies));
  ui.template = { ...ui.template, ref: followingRef(copies[copies.length - 1].ref) };
  return say(`${copies.length} copies added, ${copies[0].ref} to ${copies[copies.length - 1].ref}`);
}

export function removeChosen() {
  if (ui.step === "marks") return removeMarks();
  if (ui.step === "corners") {
    if (ui.corner !== null) commit({ ...state(), corners: state().corners.filter((_, i) => i !== ui.corner) });
    ui.corner = null;
    return redraw();
  }
  const count = ui.chosen.size;
  if (!count) return say("Nothing is selected.");
  commit(removeParts(state(), ui.chosen));
  choose([]);
  return say(`${count} taken away`);
}

function removeMarks() {
  const landmarks = { ...state().landmarks };
  for (const part of chosenParts()) delete landmarks[part.ref];
  commit({ ...state(), landmarks });
}

export function rotateChosen(turn) {
  if (!ui.chosen.size) {
    ui.template = { ...ui.template, rotation_deg: (ui.template.rotation_deg + turn + 360) % 360 };
    return showForm();
  }
  return commit(updateParts(state(), ui.chosen, (part) => ({ rotation_deg: tidy((part.rotation_deg + turn + 360) % 360) })));
}

export function moveChosen(dx, dy) {
  const grid = ui.grid;
  commit(
    updateParts(state(), ui.chosen, (part) => ({ x_mm: tidy(part.x_mm + dx), y_mm: tidy(part.y_mm + dy) })),
    `nudge:${[...ui.chosen].join(",")}`,
  );
  const [part] = chosenParts();
  say(`${part.ref} at ${part.x_mm}, ${part.y_mm} mm${grid ? "" : ", not snapped"}`);
}

export function step(way) {
  const { parts } = state();
  if (!parts.length) return;
  const current = parts.findIndex((part) => ui.chosen.has(part.id));
  const next = parts[(current + way + parts.length) % parts.length];
  choose([next.id]);
  say(`${next.ref} selected`);
}

export function setCorner([x, y]) {
  const corners = [...state().corners];
  const index = ui.corner ?? corners.length;
  if (index > 3) return;
  corners[index] = [x, y];
  ui.corner = null;
  commit({ ...state(), corners });
  const fault = corners.length === 4 ? cornerFault(corners) : null;
  say(fault ? `Check the corners: ${fault}.` : corners.length < 4 ? `Corner ${index + 1} set; now ${CORNER_NAMES[corners.length]}.` : `All four corners are set: --corners '${corners.map(([u, v]) => `${u.toFixed(1)},${v.toFixed(1)}`).join(" ")}'`);
}

export function setMark([x, y]) {
  const parts = chosenParts();
  if (parts.length !== 1) return say("Select the part whose body centre you see there.");
  commit({ ...state(), landmarks: { ...state().landmarks, [parts[0].ref]: [x, y] } });
  return say(`${parts[0].ref} marked; ${Object.keys(state().landmarks).length} marks, four or more are needed`);
}

export const CORNER_NAMES = ["the top left corner", "the top right corner", "the bottom right corner", "the bottom left corner"];

export function travel(way) {
  const before = state();
  if (history[way]()) afterChange(before);
  else say(`Nothing to ${way}.`);
}

export function toggleAdding() {
  if (ui.step !== "parts") return;
  ui.adding = !ui.adding;
  byId("add-tool").setAttribute("aria-pressed", String(ui.adding));
  if (ui.adding) choose([]);
  else if (state().parts.some((part) => part.id === ui.lastAdded)) choose([ui.lastAdded]);
  showHelp();
}

export function toggleGrid() {
  ui.grid = ui.grid ? 0 : GRID_MM;
  byId("snap").setAttribute("aria-pressed", String(Boolean(ui.grid)));
  say(ui.grid ? "Snapping to the 2.54 mm grid." : "No snapping.");
  redraw();
}

export function zoomBy(factor) {
  const room = canvas.getBoundingClientRect();
  view.zoom(factor, [room.width / 2, room.height / 2]);
  redraw();
}
