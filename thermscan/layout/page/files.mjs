// The files that the page saves, as thermscan reads them; and those of its own that it loads again.

const COLUMNS = [
  "ref", "kind", "package", "length_mm", "width_mm", "x_mm", "y_mm", "rotation_deg", "group", "surface", "emissivity",
  "max_c", "height_mm", "value", "polarity", "note", "psi_jt_k_per_w", "max_junction_c", "watts_typical",
  "watts_most", "family",
];
const NUMBERS = new Set([
  "length_mm", "width_mm", "x_mm", "y_mm", "rotation_deg", "emissivity", "max_c", "height_mm", "psi_jt_k_per_w",
  "max_junction_c", "watts_typical", "watts_most",
]);

/** Text on one line, without control characters. */
export function plain(text) {
  return String(text ?? "").replace(/[\u0000-\u001f\u007f-\u009f]+/g, " ").trim();
}

/** What a row of the parts file says of a part; nothing where the package tells it already. */
export function partRow(part, packages) {
  const known = packages[part.package];
  const row = {};
  for (const column of COLUMNS) {
    const value = part[column];
    if (value === null || value === undefined || value === "") continue;
    row[column] = NUMBERS.has(column) ? Number(value) : plain(value);
  }
  if (known && known.length_mm === part.length_mm && known.width_mm === part.width_mm) {
    delete row.length_mm;
    delete row.width_mm;
  }
  if (known && known.surface === part.surface) delete row.surface;
  if (!row.rotation_deg) delete row.rotation_deg;
  return row;
}

export function partsCsv(state, packages) {
  const rows = state.parts.map((part) => partRow(part, packages));
  const always = new Set(["ref", "x_mm", "y_mm"]);
  const columns = COLUMNS.filter((column) => always.has(column) || rows.some((row) => row[column] !== undefined));
  const cell = (value) => {
    const text = value === undefined ? "" : String(value);
    return /[",;\t|\n]|^\s|\s$/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };
  const lines = [columns, ...rows.map((row) => columns.map((column) => row[column]))];
  return lines.map((line) => line.map(cell).join(",")).join("\n") + "\n";
}

function tomlText(text) {
  return JSON.stringify(plain(text));
}

function tomlNumber(value) {
  return String(Number(value));
}

export function boardToml(state) {
  const { board } = state;
  const lines = ["[board]", `name = ${tomlText(board.name || "board")}`];
  if (board.revision) lines.push(`revision = ${tomlText(board.revision)}`);
  if (board.outline_mm) lines.push(`outline_mm = ${JSON.stringify(board.outline_mm)}`);
  else lines.push(`width_mm = ${tomlNumber(board.width_mm)}`, `height_mm = ${tomlNumber(board.height_mm)}`);
  lines.push(`thickness_mm = ${tomlNumber(board.thickness_mm)}`, `surface = ${tomlText(board.surface)}`);
  if (board.emissivity) lines.push(`emissivity = ${tomlNumber(board.emissivity)}`);
  if (state.parts.length) lines.push('parts = "parts.csv"');
  if (board.photo) lines.push(`photo = ${tomlText(board.photo)}`);
  // The page does not edit stickers; those that a layout has are kept.
  for (const sticker of board.stickers ?? []) {
    lines.push("", "[[sticker]]", `at_mm = ${JSON.stringify(sticker.at_mm)}`, `size_mm = ${JSON.stringify(sticker.size_mm)}`);
    for (const key of ["text", "note"]) if (sticker[key]) lines.push(`${key} = ${tomlText(sticker[key])}`);
  }
  return lines.join("\n") + "\n";
}

/** The marks of a frame, as lines for a run file: pixel (0, 0) is the centre of the top left pixel. */
export function runMarks(state, scale) {
  const px = ([x, y]) => `[${(x * scale - 0.5).toFixed(2)}, ${(y * scale - 0.5).toFixed(2)}]`;
  const lines = [];
  if (state.corners.length === 4) lines.push(`corners_px = [${state.corners.map(px).join(", ")}]`);
  const marks = Object.entries(state.landmarks);
  if (marks.length) {
    lines.push("landmarks = [");
    for (const [ref, point] of marks) lines.push(`  { ref = ${tomlText(ref)}, px = ${px(point)} },`);
    lines.push("]");
  }
  return lines.join("\n") + (lines.length ? "\n" : "");
}
