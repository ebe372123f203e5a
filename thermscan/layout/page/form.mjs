// Fields, list and buttons beside the picture.

import { updateParts } from "./model.mjs";
import { boardToml, partsCsv, plain, runMarks } from "./files.mjs";
import { FIELDS, NUMERIC, byId, canvas, choose, chosenParts, commit, given, packageKey, packageNames, packages, state, ui } from "./app.mjs";
import { copyGrid, followingRef, removeChosen, rotateChosen, toggleAdding, toggleGrid, travel, zoomBy } from "./actions.mjs";
import { fit, goTo, showForm } from "./showing.mjs";
import { load, save } from "./keeping.mjs";

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
      // Another package is another sort of part.
      const other = name === "package" && value !== ui.template.package ? { kind: "", value: "", group: "", max_c: null, note: "" } : {};
      ui.template = { ...ui.template, ...patch(ui.template), ...other };
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
