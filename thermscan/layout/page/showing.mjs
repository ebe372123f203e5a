// The layout shown: picture, form, list and what is to be looked at.

import { overlapDepth, reachBeyond } from "./geometry.mjs";
import { problemsOf } from "./model.mjs";
import { plain } from "./files.mjs";
import { Still, boardToPicture, drawBoard, drawPicture, uprightPicture } from "./view.mjs";
import { FIELDS, byId, canvas, choose, chosenParts, context, cornersReady, history, say, sized, state, ui, view } from "./app.mjs";
import { CORNER_NAMES } from "./actions.mjs";

export function redraw() {
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
  const { width_mm: across, height_mm: down } = state().board;
  const toPicture = cornersReady() ? boardToPicture(state().corners, across, down) : null;
  const cursor = document.activeElement === canvas && !ui.chosen.size ? ui.cursor : null;
  if (ui.step === "parts") {
    // Millions of pixels: not while a corner is dragged, but when the board is next seen from above.
    if (toPicture) ui.upright ??= uprightPicture(ui.picture, toPicture, across, down);
    ui.still ??= new Still();
    drawBoard(context, view, { width: room.width, height: room.height, ratio }, {
      upright: ui.upright, state: state(), chosen: ui.chosen, marked: ui.marked, grid: ui.grid, cursor, still: ui.still,
    });
  } else {
    const marks = ui.step === "marks";
    drawPicture(context, view, {
      picture: ui.picture, state: state(), corner: ui.corner, marks, cursor: document.activeElement === canvas ? ui.cursor : null,
      toPicture, chosen: ui.chosen,
    });
  }
}

export function fit() {
  const room = canvas.getBoundingClientRect();
  const { board } = state();
  if (ui.step === "parts") view.fit(board.width_mm, board.height_mm, room);
  else if (ui.picture) view.fit(ui.picture.width, ui.picture.height, room);
  redraw();
}

export function goTo(name) {
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

export function showHelp() {
  const { corners, landmarks } = state();
  byId("help").textContent = {
    corners: corners.length < 4 ? `Click ${CORNER_NAMES[corners.length]} of the board.` : "Drag a corner to correct it; give the board's width and height, then go to Parts.",
    parts: ui.adding ? "Click where the next part's centre is. A ends adding." : "N or A adds parts; drag to move; wheel zooms; drag beside parts to pan.",
    marks: `Select a part in the list, then click its body centre in the frame: ${Object.keys(landmarks).length} marked, four or more are needed.`,
  }[ui.step];
}

export function showAll() {
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

export function showForm() {
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

export function showChosenInList() {
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
export function markDragged() {
  const { parts, board } = state();
  const moving = parts.filter((part) => ui.chosen.has(part.id));
  for (const part of moving) {
    const clash = reachBeyond(part, board.width_mm, board.height_mm) > 0.5
      || parts.some((other) => other.id !== part.id && overlapDepth(part, other) > 0.5);
    if (clash) ui.marked.add(part.id);
    else ui.marked.delete(part.id);
  }
}
