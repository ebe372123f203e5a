// The page itself: what is clicked, dragged and typed becomes a change of the layout, and the layout is shown.

import { cornerFault, onBody, overlapDepth, reachBeyond } from "./geometry.mjs";
import { GRID_MM, History, addParts, emptyState, gridOf, nextRef, problemsOf, removeParts, snapped, tidy, updateParts } from "./model.mjs";
import { boardToml, partsCsv, plain, runMarks } from "./files.mjs";
import { layoutFromToml, partsFromCsv } from "./loading.mjs";
import { dropState, keepState, keptState } from "./storage.mjs";
import { View, drawBoard, drawPicture, uprightPicture } from "./view.mjs";

const given = JSON.parse(document.getElementById("given").textContent);
const byId = (id) => document.getElementById(id);
const canvas = byId("canvas");
const context = canvas.getContext("2d");
const storageKey = `thermscan-layout:${given.key}`;
const packages = Object.fromEntries(given.packages.map((body) => [body.name, body]));
const packageNames = Object.fromEntries(given.packages.flatMap((body) => [body.name, ...body.aliases].map((name) => [packageKey(name), body.name])));
const FIELDS = ["ref", "package", "length_mm", "width_mm", "x_mm", "y_mm", "rotation_deg", "polarity", "kind", "value", "group", "surface", "max_c", "height_mm", "note"];
const NUMERIC = new Set(["length_mm", "width_mm", "x_mm", "y_mm", "rotation_deg", "max_c", "height_mm"]);

const history = new History(emptyState(given.board));
if (given.parts.length) history.state = addParts(history.state, given.parts);
const view = new View();
const ui = {
  step: "corners", chosen: new Set(), corner: null, cursor: null, adding: false, grid: GRID_MM, drag: null,
  marked: new Set(), template: null, picture: null, upright: null, touches: new Map(), dirty: true,
};
ui.template = newTemplate("DIP-16");

function packageKey(name) {
  return name.toUpperCase().replace(/(\d),(?=\d)/g, "$1.").replace(/[\s_\-/()]+/g, "").replace(/([A-Z])0+(?=\d)/g, "$1");
}

function newTemplate(name) {
  const body = packages[name];
  return {
    ref: "U1", package: name, length_mm: body.length_mm, width_mm: body.width_mm, round: body.round, x_mm: 0, y_mm: 0,
    rotation_deg: 0, polarity: "", kind: "", value: "", group: "", surface: body.surface, max_c: null, height_mm: null, note: "",
  };
}

const state = () => history.state;
const chosenParts = () => state().parts.filter((part) => ui.chosen.has(part.id));
const sized = () => state().board.width_mm > 0 && state().board.height_mm > 0;
const cornersReady = () => state().corners.length === 4 && !cornerFault(state().corners) && sized();

function say(text) {
  byId("status").textContent = text;
}

// ---- changing ------------------------------------------------------------------------------------------------------

function commit(next, mergeKey = null, { quick = false } = {}) {
  const before = state();
  history.change(next, mergeKey);
  afterChange(before, quick);
}

function afterChange(before, quick = false) {
  const ids = new Set(state().parts.map((part) => part.id));
  for (const id of ui.chosen) if (!ids.has(id)) ui.chosen.delete(id);
  if (before.corners !== state().corners || before.board !== state().board) ui.upright = null;
  scheduleKeep();
  if (!quick) showAll();
  redraw();
}

function choose(ids, { focusList = false } = {}) {
  ui.chosen = new Set(ids);
  showForm();
  if (!focusList) showChosenInList();
  redraw();
}

function addAt([x, y]) {
  const taken = new Set(state().parts.map((part) => part.ref));
  const wanted = plain(ui.template.ref) || "U1";
  const ref = taken.has(wanted) ? nextRef(taken, wanted) : wanted;
  const part = { ...ui.template, ref, x_mm: snapped(x, ui.grid), y_mm: snapped(y, ui.grid) };
  const id = state().nextId;
  commit(addParts(state(), [part]));
  ui.template = { ...ui.template, ref: nextRef(taken.add(ref), ref) };
  choose([id]);
  say(`${ref} added at ${part.x_mm}, ${part.y_mm} mm`);
}

function followingRef(ref) {
  return nextRef(new Set(state().parts.map((part) => part.ref)), ref);
}

function copyGrid() {
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

function removeChosen() {
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

function rotateChosen(turn) {
  if (!ui.chosen.size) {
    ui.template = { ...ui.template, rotation_deg: (ui.template.rotation_deg + turn + 360) % 360 };
    return showForm();
  }
  return commit(updateParts(state(), ui.chosen, (part) => ({ rotation_deg: tidy((part.rotation_deg + turn + 360) % 360) })));
}

function moveChosen(dx, dy) {
  const grid = ui.grid;
  commit(
    updateParts(state(), ui.chosen, (part) => ({ x_mm: tidy(part.x_mm + dx), y_mm: tidy(part.y_mm + dy) })),
    `nudge:${[...ui.chosen].join(",")}`,
  );
  const [part] = chosenParts();
  say(`${part.ref} at ${part.x_mm}, ${part.y_mm} mm${grid ? "" : ", not snapped"}`);
}

function step(way) {
  const { parts } = state();
  if (!parts.length) return;
  const current = parts.findIndex((part) => ui.chosen.has(part.id));
  const next = parts[(current + way + parts.length) % parts.length];
  choose([next.id]);
  say(`${next.ref} selected`);
}

function setCorner([x, y]) {
  const corners = [...state().corners];
  const index = ui.corner ?? corners.length;
  if (index > 3) return;
  corners[index] = [x, y];
  ui.corner = null;
  commit({ ...state(), corners });
  const fault = corners.length === 4 ? cornerFault(corners) : null;
  say(fault ? `Check the corners: ${fault}.` : corners.length < 4 ? `Corner ${index + 1} set; now ${CORNER_NAMES[corners.length]}.` : "All four corners are set.");
}

function setMark([x, y]) {
  const parts = chosenParts();
  if (parts.length !== 1) return say("Select the part whose body centre you see there.");
  commit({ ...state(), landmarks: { ...state().landmarks, [parts[0].ref]: [x, y] } });
  return say(`${parts[0].ref} marked; ${Object.keys(state().landmarks).length} marks, four or more are needed`);
}

const CORNER_NAMES = ["the top left corner", "the top right corner", "the bottom right corner", "the bottom left corner"];

// ---- showing -------------------------------------------------------------------------------------------------------

function redraw() {
  if (ui.dirty) return;
  ui.dirty = true;
  requestAnimationFrame(draw);
}

function draw() {
  ui.dirty = false;
  const ratio = window.devicePixelRatio || 1;
  const room = canvas.getBoundingClientRect();
  const [width, height] = [Math.round(room.width * ratio), Math.round(room.height * ratio)];
  if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  context.clearRect(0, 0, room.width, room.height);
  if (!ui.picture) return;
  if (cornersReady() && !ui.upright) ui.upright = uprightPicture(ui.picture, state().corners, state().board.width_mm, state().board.height_mm);
  const cursor = document.activeElement === canvas && !ui.chosen.size ? ui.cursor : null;
  if (ui.step === "parts") {
    drawBoard(context, view, { upright: ui.upright, state: state(), chosen: ui.chosen, marked: ui.marked, grid: ui.grid, cursor });
  } else {
    const marks = ui.step === "marks";
    drawPicture(context, view, {
      picture: ui.picture, state: state(), corner: ui.corner, marks, cursor: document.activeElement === canvas ? ui.cursor : null,
      toPicture: ui.upright?.toPicture, chosen: ui.chosen,
    });
  }
}

function fit() {
  const room = canvas.getBoundingClientRect();
  const { board } = state();
  if (ui.step === "parts") view.fit(board.width_mm, board.height_mm, room);
  else if (ui.picture) view.fit(ui.picture.width, ui.picture.height, room);
  redraw();
}

function goTo(name) {
  if (name === "parts" && !sized()) return say("Give the board's width and height first.");
  if (name === "parts" && !cornersReady()) return say("Mark the four corners of the board first.");
  ui.step = name;
  ui.corner = null;
  ui.cursor = name === "parts" ? [state().board.width_mm / 2, state().board.height_mm / 2] : [ui.picture.width / 2, ui.picture.height / 2];
  for (const other of ["corners", "parts", "marks"]) byId(`step-${other}`).setAttribute("aria-pressed", String(other === name));
  byId("part-section").hidden = byId("copy-section").hidden = name !== "parts";
  showHelp();
  say("");
  fit();
  return canvas.focus();
}

function showHelp() {
  const { corners, landmarks } = state();
  byId("help").textContent = {
    corners: corners.length < 4 ? `Click ${CORNER_NAMES[corners.length]} of the board.` : "Drag a corner to correct it; then go to Parts.",
    parts: ui.adding ? "Click where the next part's centre is. A ends adding." : "N or A adds parts; drag to move; wheel zooms; drag beside parts to pan.",
    marks: `Select a part in the list, then click its body centre in the frame: ${Object.keys(landmarks).length} marked, four or more are needed.`,
  }[ui.step];
}

function showAll() {
  showForm();
  showList();
  showProblems();
  showBoard();
  showHelp();
  byId("undo").disabled = !history.past.length;
  byId("redo").disabled = !history.future.length;
}

function showBoard() {
  const { board } = state();
  document.querySelector("h1").textContent = plain(board.name) || "Layout";
  const fields = { "board-name": board.name ?? "", "board-revision": board.revision ?? "", "board-width": board.width_mm ?? "", "board-height": board.height_mm ?? "" };
  for (const [id, value] of Object.entries(fields)) if (byId(id) !== document.activeElement) byId(id).value = value;
  byId("board-width").disabled = byId("board-height").disabled = Boolean(board.outline_mm);
}

function showForm() {
  const parts = chosenParts();
  const title = parts.length === 0 ? "Next part" : parts.length === 1 ? `Part ${parts[0].ref}` : `${parts.length} parts`;
  byId("part-title").textContent = title.slice(0, 40);
  const shown = parts[0] ?? ui.template;
  for (const name of FIELDS) {
    const field = byId(`f-${name}`);
    field.disabled = (parts.length !== 1 && ["x_mm", "y_mm"].includes(name)) || (parts.length > 1 && name === "ref");
    if (field === document.activeElement) continue;
    const same = parts.every((part) => part[name] === shown[name]);
    if (field.tagName === "SELECT" && shown[name] && ![...field.options].some((option) => option.value === shown[name])) field.add(new Option(shown[name]));
    field.value = same ? (shown[name] ?? "") : "";
  }
  byId("remove").disabled = !parts.length && ui.step === "parts";
}

function optionText(part) {
  const mark = state().landmarks[part.ref] ? " ✓" : "";
  return `${part.ref.slice(0, 24)}  ${part.package ?? ""}  ${part.value ?? ""}`.slice(0, 60) + mark;
}

function showList() {
  const list = byId("list");
  const { parts } = state();
  byId("count").textContent = parts.length;
  parts.forEach((part, i) => {
    const option = list.options[i] ?? list.appendChild(new Option());
    const text = optionText(part);
    if (option.textContent !== text) option.textContent = text;
    option.value = part.id;
    option.selected = ui.chosen.has(part.id);
  });
  while (list.options.length > parts.length) list.remove(list.options.length - 1);
  const groups = new Set(parts.map((part) => part.group).filter(Boolean));
  byId("groups").replaceChildren(...[...groups].map((group) => new Option(group)));
}

function showChosenInList() {
  for (const option of byId("list").options) option.selected = ui.chosen.has(Number(option.value));
}

function showProblems() {
  const found = problemsOf(state());
  ui.marked = new Set(found.flatMap((problem) => problem.ids));
  byId("problem-count").textContent = found.length;
  byId("problems").replaceChildren(...found.slice(0, 50).map((problem) => {
    const item = document.createElement("li");
    item.className = problem.level;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = `${problem.level === "fault" ? "Fault: " : ""}${problem.text.slice(0, 200)}`;
    button.addEventListener("click", () => choose(problem.ids));
    item.append(button);
    return item;
  }));
}

/** While parts are dragged, only they are looked at again. */
function markDragged() {
  const { parts, board } = state();
  const moving = parts.filter((part) => ui.chosen.has(part.id));
  for (const part of moving) {
    const clash = reachBeyond(part, board.width_mm, board.height_mm) > 0.5
      || parts.some((other) => other.id !== part.id && overlapDepth(part, other) > 0.5);
    if (clash) ui.marked.add(part.id);
    else ui.marked.delete(part.id);
  }
}

// ---- keeping and saving --------------------------------------------------------------------------------------------

let keepTimer = null;
function scheduleKeep() {
  clearTimeout(keepTimer);
  keepTimer = setTimeout(keepNow, 300);
}

function keepNow() {
  clearTimeout(keepTimer);
  keepTimer = null;
  if (history.past.length && !keepState(storageKey, state())) say("The browser keeps nothing: save before closing the page.");
}

function save(name, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  const faults = problemsOf(state()).filter((problem) => problem.level === "fault").length;
  say(`${name} saved${faults ? `, with ${faults} faults still to correct` : ""}`);
}

/** Board and parts from files of the user's; both can be undone. */
async function load(chosen) {
  const findPackage = (name) => packageNames[packageKey(name)];
  try {
    let next = state();
    for (const file of chosen) {
      const text = await file.text();
      const toml = file.name.toLowerCase().endsWith(".toml");
      const found = toml ? layoutFromToml(text, packages, findPackage) : { parts: partsFromCsv(text, packages, findPackage) };
      if (found.board) next = { ...next, board: found.board };
      if (found.parts.length) next = addParts({ ...next, parts: [] }, found.parts);
    }
    commit(next);
    choose([]);
    if (state().parts.length) ui.template = { ...ui.template, ref: followingRef(state().parts.at(-1).ref) };
    fit();
    say(`Loaded: ${state().parts.length} parts.`);
  } catch (error) {
    say(`Not loaded: ${error.message}`);
  }
}

function offerResume() {
  const kept = keptState(storageKey);
  if (!kept) return;
  const when = new Date(kept.kept).toLocaleString();
  byId("resume-text").textContent = `Work from ${when} was kept: ${kept.state.parts.length} parts, ${kept.state.corners.length} corners.`;
  const work = [document.querySelector("main"), document.querySelector("header")];
  const ask = (open) => {
    byId("resume").hidden = !open;
    for (const element of work) element.inert = open;
  };
  ask(true); // nothing else can be done before the answer, or new work would overwrite what was kept
  byId("resume-yes").focus();
  byId("resume-yes").addEventListener("click", () => {
    ask(false);
    commit(kept.state);
    if (kept.state.parts.length) ui.template = { ...ui.template, ref: followingRef(kept.state.parts.at(-1).ref) };
    if (cornersReady()) goTo("parts");
    say("Resumed.");
  });
  byId("resume-no").addEventListener("click", () => {
    ask(false);
    dropState(storageKey);
    canvas.focus();
    say("Started afresh.");
  });
}

// ---- mouse, pen and finger -----------------------------------------------------------------------------------------

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
  if (drag?.moved && drag.kind !== "pan") showAll();
}
canvas.addEventListener("pointerup", endPointer);
canvas.addEventListener("pointercancel", endPointer);

canvas.addEventListener("wheel", (event) => {
  event.preventDefault();
  const room = canvas.getBoundingClientRect();
  view.zoom(Math.exp(-event.deltaY * 0.0015), [event.clientX - room.left, event.clientY - room.top]);
  redraw();
}, { passive: false });

// ---- keyboard ------------------------------------------------------------------------------------------------------

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function arrow([dx, dy], fine) {
  if (ui.step === "parts") {
    const size = fine || !ui.grid ? 0.1 : ui.grid;
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

function travel(way) {
  const before = state();
  if (history[way]()) afterChange(before);
  else say(`Nothing to ${way}.`);
}

function toggleAdding() {
  if (ui.step !== "parts") return;
  ui.adding = !ui.adding;
  byId("add-tool").setAttribute("aria-pressed", String(ui.adding));
  showHelp();
}

function toggleGrid() {
  ui.grid = ui.grid ? 0 : GRID_MM;
  byId("snap").setAttribute("aria-pressed", String(Boolean(ui.grid)));
  say(ui.grid ? "Snapping to the 2.54 mm grid." : "No snapping.");
  redraw();
}

function zoomBy(factor) {
  const room = canvas.getBoundingClientRect();
  view.zoom(factor, [room.width / 2, room.height / 2]);
  redraw();
}

// ---- the form ------------------------------------------------------------------------------------------------------

function fieldValue(name, text) {
  if (!NUMERIC.has(name)) return plain(text);
  const number = Number.parseFloat(text);
  if (Number.isFinite(number)) return number;
  return ["max_c", "height_mm"].includes(name) ? null : undefined;
}

function patchFor(name, value) {
  if (name !== "package") return ["length_mm", "width_mm"].includes(name) ? () => ({ [name]: value, round: false }) : () => ({ [name]: value });
  const body = packages[packageNames[packageKey(value)]];
  if (!body) return () => ({ package: value });
  return (part) => {
    const own = packages[part.package];
    const keepSurface = own && part.surface !== own.surface;
    return {
      package: body.name, length_mm: body.length_mm, width_mm: body.width_mm, round: body.round,
      surface: keepSurface ? part.surface : body.surface,
    };
  };
}

for (const name of FIELDS) {
  const field = byId(`f-${name}`);
  field.addEventListener(name === "package" || field.tagName === "SELECT" ? "change" : "input", () => {
    const value = fieldValue(name, field.value);
    if (value === undefined || (["length_mm", "width_mm"].includes(name) && !(value > 0))) return;
    const patch = patchFor(name, value);
    if (ui.chosen.size) {
      const renamed = name === "ref" ? chosenParts()[0]?.ref : null;
      let next = updateParts(state(), ui.chosen, patch);
      if (renamed && renamed in next.landmarks) {
        const { [renamed]: mark, ...others } = next.landmarks;
        next = { ...next, landmarks: { ...others, [value]: mark } };
      }
      commit(next, `form:${name}:${[...ui.chosen].join(",")}`);
      const [part] = chosenParts();
      ui.template = { ...ui.template, ...part, id: undefined, ref: followingRef(part.ref) };
    } else {
      ui.template = { ...ui.template, ...patch(ui.template) };
      showForm();
    }
  });
  field.addEventListener("keydown", (event) => {
    if (event.key === "Enter" || event.key === "Escape") {
      event.preventDefault();
      field.dispatchEvent(new Event("change"));
      canvas.focus();
      showForm();
    }
  });
}

for (const [id, name, numeric] of [["board-name", "name"], ["board-revision", "revision"], ["board-width", "width_mm", true], ["board-height", "height_mm", true]]) {
  byId(id).addEventListener("input", () => {
    const value = numeric ? Number.parseFloat(byId(id).value) : plain(byId(id).value);
    if (numeric && !(value > 0 && value < 5000)) return;
    commit({ ...state(), board: { ...state().board, [name]: value } }, `board:${name}`);
  });
}

byId("list").addEventListener("change", () => choose([...byId("list").selectedOptions].map((option) => Number(option.value)), { focusList: true }));

byId("load-files").addEventListener("change", async (event) => {
  await load([...event.target.files]);
  event.target.value = "";
});

const BUTTONS = {
  "step-corners": () => goTo("corners"), "step-parts": () => goTo("parts"), "step-marks": () => goTo("marks"),
  undo: () => travel("undo"), redo: () => travel("redo"),
  "zoom-in": () => zoomBy(1.25), "zoom-out": () => zoomBy(0.8), "zoom-fit": () => fit(),
  "add-tool": () => toggleAdding(), snap: () => toggleGrid(), rotate: () => rotateChosen(90), remove: () => removeChosen(),
  copy: () => copyGrid(), load: () => byId("load-files").click(),
  "save-board": () => save("board.toml", boardToml(state())),
  "save-parts": () => save("parts.csv", partsCsv(state(), packages)),
  "save-marks": () => save("marks.toml", runMarks(state(), given.picture.scale)),
};
for (const [id, action] of Object.entries(BUTTONS)) byId(id).addEventListener("click", action);

// ---- beginning -----------------------------------------------------------------------------------------------------

byId("packages").append(...given.packages.map((body) => new Option(body.name)));
byId("f-surface").append(...given.surfaces.map((name) => new Option(name)));
byId("step-marks").hidden = byId("save-marks").hidden = given.picture.kind !== "frame";
window.addEventListener("resize", redraw);
window.addEventListener("pagehide", keepNow);
document.addEventListener("visibilitychange", () => document.hidden && keepNow());
canvas.addEventListener("focus", redraw);
canvas.addEventListener("blur", redraw);

const image = new Image();
image.addEventListener("load", () => {
  ui.picture = image;
  ui.dirty = false;
  showAll();
  goTo("corners");
  offerResume();
  document.body.dataset.ready = "yes";
});
image.src = given.picture.url;
// For tests: what is there, to be read only.
window.thermscanLayout = { state, view, ui };
