// What there is: the layout with its history, what is selected, and how a change is made known.

import { cornerFault } from "./geometry.mjs";
import { GRID_MM, History, addParts, emptyState } from "./model.mjs";
import { View } from "./view.mjs";
import { redraw, showAll, showChosenInList, showForm } from "./showing.mjs";
import { scheduleKeep } from "./keeping.mjs";

export const given = JSON.parse(document.getElementById("given").textContent);
export const byId = (id) => document.getElementById(id);
export const canvas = byId("canvas");
export const context = canvas.getContext("2d");
export const storageKey = `thermscan-layout:${given.key}`;
export const packages = Object.fromEntries(given.packages.map((body) => [body.name, body]));
export const packageNames = Object.fromEntries(given.packages.flatMap((body) => [body.name, ...body.aliases].map((name) => [packageKey(name), body.name])));
export const FIELDS = ["ref", "package", "length_mm", "width_mm", "x_mm", "y_mm", "rotation_deg", "polarity", "kind", "value", "group", "surface", "max_c", "height_mm", "note"];
export const NUMERIC = new Set(["length_mm", "width_mm", "x_mm", "y_mm", "rotation_deg", "max_c", "height_mm"]);

export const history = new History(emptyState(given.board));
if (given.parts.length) history.state = addParts(history.state, given.parts);
export const view = new View();
export const ui = {
  step: "corners", chosen: new Set(), corner: null, cursor: null, adding: false, grid: 0, drag: null,
  marked: new Set(), template: null, picture: null, upright: null, still: null, touches: new Map(), dirty: true,
};
ui.template = newTemplate("DIP-16");

export function packageKey(name) {
  return name.toUpperCase().replace(/(\d),(?=\d)/g, "$1.").replace(/[\s_\-/()]+/g, "").replace(/([A-Z])0+(?=\d)/g, "$1");
}

function newTemplate(name) {
  const body = packages[name];
  return {
    ref: "U1", package: name, length_mm: body.length_mm, width_mm: body.width_mm, round: body.round, x_mm: 0, y_mm: 0,
    rotation_deg: 0, polarity: "", kind: "", value: "", group: "", surface: body.surface, max_c: null, height_mm: null, note: "",
  };
}

export const state = () => history.state;
export const chosenParts = () => state().parts.filter((part) => ui.chosen.has(part.id));
export const sized = () => state().board.width_mm > 0 && state().board.height_mm > 0;
export const cornersReady = () => state().corners.length === 4 && !cornerFault(state().corners) && sized();

export function say(text) {
  byId("status").textContent = text;
}

export function commit(next, mergeKey = null, { quick = false } = {}) {
  const before = state();
  history.change(next, mergeKey);
  afterChange(before, quick);
}

export function afterChange(before, quick = false) {
  const ids = new Set(state().parts.map((part) => part.id));
  for (const id of ui.chosen) if (!ids.has(id)) ui.chosen.delete(id);
  if (before.corners !== state().corners || before.board !== state().board) ui.upright = null;
  scheduleKeep();
  if (!quick) showAll();
  redraw();
}

export function choose(ids, { focusList = false } = {}) {
  ui.chosen = new Set(ids);
  showForm();
  if (!focusList) showChosenInList();
  redraw();
}
