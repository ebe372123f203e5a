// Files that are loaded again: parts.csv as spreadsheets write it, board.toml as this page and thermscan write it.

import { plain } from "./files.mjs";

const NUMBER_COLUMN = /^(x_mm|y_mm|length_mm|width_mm|rotation_deg|emissivity|max_c|height_mm|psi_jt_k_per_w|max_junction_c|watts_typical|watts_most)$/;

function csvRows(text, delimiter) {
  const rows = [[""]];
  let quoted = false;
  for (let i = 0; i < text.length; i += 1) {
    const letter = text[i];
    const row = rows[rows.length - 1];
    if (quoted) {
      if (letter !== '"') row[row.length - 1] += letter;
      else if (text[i + 1] === '"') row[row.length - 1] += text[(i += 1)];
      else quoted = false;
    } else if (letter === '"' && row[row.length - 1].trim() === "") {
      row[row.length - 1] = "";
      quoted = true;
    } else if (letter === delimiter) row.push("");
    else if (letter === "\n") rows.push([""]);
    else if (letter !== "\r") row[row.length - 1] += letter;
  }
  return rows.filter((row) => row.some((cell) => cell.trim()) && !row[0].trim().startsWith("#"));
}

/** Parts from a parts file; throws an Error that says what is wrong. */
export function partsFromCsv(text, packages, findPackage) {
  const body = text.replace(/^\ufeff/, "");
  const known = (delimiter) => (csvRows(body, delimiter)[0] ?? []).filter((name) => ["ref", "x_mm", "y_mm", "package"].includes(name.trim().toLowerCase())).length;
  const delimiter = [",", ";", "\t", "|"].reduce((best, one) => (known(one) > known(best) ? one : best), ",");
  const [header, ...rows] = csvRows(body, delimiter);
  const columns = (header ?? []).map((name) => name.trim().toLowerCase().replace(/\s+/g, "_"));
  if (!columns.includes("ref") || !columns.includes("x_mm") || !columns.includes("y_mm")) throw new Error("no columns ref, x_mm and y_mm");
  return rows.map((row, index) => {
    const values = {};
    columns.forEach((column, i) => {
      const cell = (row[i] ?? "").trim();
      if (!cell) return;
      values[column] = NUMBER_COLUMN.test(column) ? Number(delimiter === "," ? cell : cell.replace(",", ".")) : plain(cell);
      if (Number.isNaN(values[column])) throw new Error(`part ${index + 1}, ${column}: "${cell.slice(0, 20)}" is not a number`);
    });
    if (values.watts !== undefined) [values.watts_typical, values.watts_most] = wattsPair(values.watts, index);
    delete values.watts;
    return wholePart(values, packages, findPackage);
  });
}

/** Typical and most from one cell, as thermscan reads it. */
function wattsPair(cell, index) {
  const apart = cell.trim().split(/\s*[;/]\s*|,?\s+/);
  const pair = (apart.length === 2 ? apart : cell.split(",")).map((each) => Number(each.replace(",", ".")));
  if (pair.length !== 2 || pair.some(Number.isNaN)) throw new Error(`part ${index + 1}, watts: "${cell.slice(0, 20)}" is not two numbers`);
  return pair;
}

/** A part with everything the page works with, from what a file says of it. */
function wholePart(values, packages, findPackage) {
  const body = packages[findPackage(values.package ?? "")];
  const part = {
    ref: "", kind: "", package: "", rotation_deg: 0, group: "", value: "", polarity: "", note: "", emissivity: null, max_c: null,
    height_mm: null, psi_jt_k_per_w: null, max_junction_c: null, watts_typical: null, watts_most: null, family: "", surface: body?.surface ?? "plastic", length_mm: body?.length_mm ?? 0,
    width_mm: body?.width_mm ?? 0, round: Boolean(body?.round) && !values.length_mm, ...values,
  };
  return body ? { ...part, package: body.name } : part;
}

/** The text of a TOML file with its comments gone and each value on one line. */
function tomlLines(text) {
  const lines = [];
  let held = "";
  for (const line of text.replace(/^\ufeff/, "").split(/\r?\n/)) {
    const bare = (held + line).replace(/("(?:[^"\\]|\\.)*"|'[^']*')|#.*$/g, (whole, string) => string ?? "");
    const outside = bare.replace(/"(?:[^"\\]|\\.)*"|'[^']*'/g, "");
    const open = (outside.match(/\[/g) ?? []).length > (outside.match(/\]/g) ?? []).length;
    held = open ? `${bare} ` : "";
    if (!open && bare.trim()) lines.push(bare.trim());
  }
  return lines;
}

function tomlValue(text) {
  if (text.startsWith("'")) return text.slice(1, -1);
  return JSON.parse(text.replace(/^\+/, "").replace(/,\s*\]/g, "]").replace(/(?<![\w"])\.(?=\d)/g, "0."));
}

/** Board and parts from a layout file; throws an Error that says what is wrong. */
export function layoutFromToml(text, packages, findPackage) {
  const board = { name: "", revision: "", width_mm: null, height_mm: null, thickness_mm: 1.6, surface: "solder-mask", emissivity: null, outline_mm: null };
  const rows = [];
  let table = null;
  for (const line of tomlLines(text)) {
    if (line === "[board]") table = board;
    else if (line === "[[part]]") rows.push((table = {}));
    else if (line === "[[sticker]]") board.stickers = [...(board.stickers ?? []), (table = {})];
    else {
      const [, key, value] = /^([\w-]+)\s*=\s*(.+)$/.exec(line) ?? [];
      if (!table || !key) throw new Error(`"${line.slice(0, 40)}" cannot be read here; give the file with --layout`);
      try {
        table[key] = tomlValue(value);
      } catch {
        throw new Error(`${key}: "${value.slice(0, 30)}" cannot be read here; give the file with --layout`);
      }
    }
  }
  delete board.parts;
  if (board.outline_mm) {
    board.width_mm = Math.max(...board.outline_mm.map(([x]) => x));
    board.height_mm = Math.max(...board.outline_mm.map(([, y]) => y));
  }
  if (!(board.width_mm > 0 && board.height_mm > 0)) throw new Error("it gives no width_mm and height_mm");
  const parts = rows.map(({ at_mm: at, body_mm: size, watts, ...values }) => {
    const flat = {
      ...values, x_mm: at?.[0], y_mm: at?.[1], ...(size ? { length_mm: size[0], width_mm: size[1] } : {}),
      ...(watts ? { watts_typical: watts[0], watts_most: watts[1] } : {}),
    };
    if (!values.ref || !Number.isFinite(flat.x_mm) || !Number.isFinite(flat.y_mm)) throw new Error("a part has no ref or no at_mm");
    return wholePart(flat, packages, findPackage);
  });
  return { board, parts };
}
