// Nothing is lost: the browser keeps the work until it is saved, and saved files are loaded again.

import { addParts, problemsOf } from "./model.mjs";
import { layoutFromToml, partsFromCsv } from "./loading.mjs";
import { dropState, keepState, keptState } from "./storage.mjs";
import { byId, canvas, choose, commit, cornersReady, history, packageKey, packageNames, packages, say, state, storageKey, ui } from "./app.mjs";
import { followingRef } from "./actions.mjs";
import { fit, goTo } from "./showing.mjs";

let keepTimer = null;
export function scheduleKeep() {
  clearTimeout(keepTimer);
  keepTimer = setTimeout(keepNow, 300);
}

export function keepNow() {
  clearTimeout(keepTimer);
  keepTimer = null;
  if (history.past.length && !keepState(storageKey, state())) say("The browser keeps nothing: save before closing the page.");
}

export function save(name, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  const faults = problemsOf(state()).filter((problem) => problem.level === "fault").length;
  say(`${name} saved${faults ? `, with ${faults} faults still to correct` : ""}`);
}

/** Board and parts from files of the user's; both can be undone. */
export async function load(chosen) {
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

export function offerResume() {
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
