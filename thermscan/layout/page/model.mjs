// The layout as it is being made. States are never changed, only replaced, so that undo is exact and cheap.

import { insidePolygon, overlapDepth, reachBeyond, bodyCorners } from "./geometry.mjs";

export const GRID_MM = 2.54;
const MOST_STEPS = 300;
// As the layout check has them.
const OVERLAP_TOLERANCE_MM = 0.5;
const EDGE_TOLERANCE_MM = 0.5;

/** Past, present and future of a state; changes with the same merge key in a row are one step. */
export class History {
  constructor(state) {
    this.past = [];
    this.state = state;
    this.future = [];
    this.mergeKey = null;
  }

  change(state, mergeKey = null) {
    if (state === this.state) return;
    if (mergeKey === null || mergeKey !== this.mergeKey) {
      this.past.push(this.state);
      if (this.past.length > MOST_STEPS) this.past.shift();
    }
    this.mergeKey = mergeKey;
    this.future = [];
    this.state = state;
  }

  undo() {
    if (!this.past.length) return false;
    this.future.push(this.state);
    this.state = this.past.pop();
    this.mergeKey = null;
    return true;
  }

  redo() {
    if (!this.future.length) return false;
    this.past.push(this.state);
    this.state = this.future.pop();
    this.mergeKey = null;
    return true;
  }
}

export function emptyState(board) {
  return { board, corners: [], parts: [], landmarks: {}, nextId: 1 };
}

export function addParts(state, parts) {
  let id = state.nextId;
  const added = parts.map((part) => ({ ...part, id: id++ }));
  return { ...state, parts: [...state.parts, ...added], nextId: id };
}

export function updateParts(state, ids, patch) {
  const chosen = new Set(ids);
  const change = typeof patch === "function" ? patch : () => patch;
  return { ...state, parts: state.parts.map((part) => (chosen.has(part.id) ? { ...part, ...change(part) } : part)) };
}

export function removeParts(state, ids) {
  const chosen = new Set(ids);
  return { ...state, parts: state.parts.filter((part) => !chosen.has(part.id)) };
}

/** A name that no part has yet, counting on from the one given: U7 after U6, C1 after C. */
export function nextRef(taken, ref) {
  const [, stem, digits] = /^(.*?)(\d*)$/s.exec(ref || "U");
  let number = digits ? Number(digits) : 0;
  let fresh;
  do {
    number += 1;
    fresh = `${stem}${String(number).padStart(digits.length, "0")}`;
  } while (taken.has(fresh));
  taken.add(fresh);
  return fresh;
}

/** Copies of a part along rows and columns; the part itself is the first place. Names count along the rows. */
export function gridOf(state, part, { columns, rows, stepX, stepY }) {
  const taken = new Set(state.parts.map((other) => other.ref));
  const copies = [];
  let ref = part.ref;
  for (let row = 0; row < rows; row += 1) {
    for (let column = 0; column < columns; column += 1) {
      if (row === 0 && column === 0) continue;
      ref = nextRef(taken, ref);
      copies.push({ ...part, ref, x_mm: tidy(part.x_mm + column * stepX), y_mm: tidy(part.y_mm + row * stepY) });
    }
  }
  return copies;
}

/** Millimetres to three places: finer than anything measured. */
export function tidy(mm) {
  return Math.round(mm * 1000) / 1000 + 0;
}

export function snapped(mm, grid) {
  return grid ? tidy(Math.round(mm / grid) * grid) : tidy(mm);
}

/** What is wrong (level "fault") or odd ("remark") with a layout, each with the parts that it is about. */
export function problemsOf(state) {
  const { parts, board } = state;
  const outline = board.outline_mm || [[0, 0], [board.width_mm, 0], [board.width_mm, board.height_mm], [0, board.height_mm]];
  const found = [];
  const note = (level, text, ...ids) => found.push({ level, text, ids });
  const first = new Map();
  for (const part of parts) {
    const ref = part.ref.trim();
    if (!ref) note("fault", "a part has no ref", part.id);
    else if (ref.startsWith("#")) note("fault", `${ref}: a ref cannot start with #`, part.id);
    else if (first.has(ref)) note("fault", `${ref} is there twice`, first.get(ref), part.id);
    else first.set(ref, part.id);
    if (!(part.length_mm > 0 && part.width_mm > 0)) note("fault", `${ref || "a part"} has no body: choose a package`, part.id);
    else if (![[part.x_mm, part.y_mm], ...bodyCorners(part)].some(([x, y]) => insidePolygon(outline, x, y))) {
      note("fault", `${ref || "a part"} lies outside the board`, part.id);
    } else {
      const beyond = reachBeyond(part, board.width_mm, board.height_mm);
      if (beyond > EDGE_TOLERANCE_MM) note("remark", `${ref} reaches ${beyond.toFixed(1)} mm beyond the edge`, part.id);
    }
  }
  for (const [i, j] of neighbours(parts)) {
    const depth = overlapDepth(parts[i], parts[j]);
    if (depth > OVERLAP_TOLERANCE_MM) {
      note("remark", `${parts[i].ref} and ${parts[j].ref} overlap by ${depth.toFixed(1)} mm`, parts[i].id, parts[j].id);
    }
  }
  return found;
}

/** Pairs of parts whose places along x allow that they overlap, in the order of the parts. */
function neighbours(parts) {
  const reach = parts.map((part) => Math.hypot(part.length_mm, part.width_mm) / 2);
  const order = parts.map((_, i) => i).sort((i, j) => parts[i].x_mm - reach[i] - parts[j].x_mm + reach[j]);
  const pairs = [];
  order.forEach((i, k) => {
    for (let m = k + 1; m < order.length; m += 1) {
      const j = order[m];
      if (parts[j].x_mm - reach[j] > parts[i].x_mm + reach[i]) break;
      if (Math.abs(parts[i].y_mm - parts[j].y_mm) <= reach[i] + reach[j]) pairs.push(i < j ? [i, j] : [j, i]);
    }
  });
  return pairs.sort((one, other) => one[0] - other[0] || one[1] - other[1]);
}
