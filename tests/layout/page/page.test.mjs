// The page's arithmetic and files, without a browser: node --test tests/layout/page

import assert from "node:assert/strict";
import { test } from "node:test";
import * as geometry from "../../../thermscan/layout/page/geometry.mjs";
import * as model from "../../../thermscan/layout/page/model.mjs";
import * as loading from "../../../thermscan/layout/page/loading.mjs";
import * as files from "../../../thermscan/layout/page/files.mjs";

const part = (ref, x, y, more = {}) => ({
  ref, package: "", length_mm: 20, width_mm: 8, x_mm: x, y_mm: y, rotation_deg: 0, surface: "plastic", round: false, ...more,
});
const board = { name: "b", width_mm: 100, height_mm: 80, thickness_mm: 1.6, surface: "solder-mask" };
const stateOf = (...parts) => model.addParts(model.emptyState(board), parts);

test("a homography carries its four points and Heckbert's example", () => {
  // Reference values, section 11: the unit square to (100,100)(400,120)(380,300)(90,280), by three independent methods.
  const h = geometry.homographyFrom([[0, 0], [1, 0], [1, 1], [0, 1]], [[100, 100], [400, 120], [380, 300], [90, 280]]);
  const [x, y] = geometry.mapPoint(h, 0.5, 0.5);
  assert.ok(Math.abs(x - 242.09737828) < 1e-6 && Math.abs(y - 201.49812734) < 1e-6);
  assert.equal(geometry.homographyFrom([[0, 0], [1, 0], [2, 0], [3, 0]], [[0, 0], [1, 0], [1, 1], [0, 1]]), null);
});

test("corners are sound only in their order", () => {
  const square = [[0, 0], [10, 0], [10, 8], [0, 8]];
  assert.equal(geometry.cornerFault(square), null);
  assert.match(geometry.cornerFault([...square].reverse()), /mirror/);
  assert.match(geometry.cornerFault([square[0], square[2], square[1], square[3]]), /cross/);
});

test("rotation is clockwise as seen", () => {
  const [first] = geometry.bodyCorners(part("U1", 50, 40, { rotation_deg: 90 }));
  assert.deepEqual(first.map(Math.round), [54, 30]);
  assert.ok(geometry.onBody(part("U1", 50, 40, { rotation_deg: 90 }), 50, 49));
  assert.ok(!geometry.onBody(part("U1", 50, 40), 50, 49));
});

test("overlaps agree with what the layout check says of the same bodies", () => {
  assert.equal(geometry.overlapDepth(part("A", 50, 50, { length_mm: 40, width_mm: 4 }), part("B", 50, 50, { length_mm: 40, width_mm: 4, rotation_deg: 90 })), 22);
  const square = { length_mm: 10, width_mm: 10 };
  assert.equal(geometry.overlapDepth(part("A", 50, 50, square), part("B", 58, 58, square)), 2);
  assert.ok(geometry.overlapDepth(part("A", 50, 50, { ...square, round: true }), part("B", 58, 58, { ...square, round: true })) <= 0);
});

test("undo and redo give back the very states, and changes with one key are one step", () => {
  const history = new model.History(stateOf());
  const before = history.state;
  history.change(model.addParts(history.state, [part("U1", 10, 10)]));
  const added = history.state;
  for (const x of [11, 12, 13]) history.change(model.updateParts(history.state, [1], { x_mm: x }), "drag");
  assert.equal(history.state.parts[0].x_mm, 13);
  history.undo();
  assert.equal(history.state, added);
  history.undo();
  assert.equal(history.state, before);
  assert.equal(history.undo(), false);
  history.redo();
  history.redo();
  assert.equal(history.state.parts[0].x_mm, 13);
  assert.equal(history.redo(), false);
});

test("names count on and skip those that are taken", () => {
  assert.equal(model.nextRef(new Set(["U2"]), "U1"), "U3");
  assert.equal(model.nextRef(new Set(), "C09"), "C10");
  assert.equal(model.nextRef(new Set(), "CPU"), "CPU1");
});

test("a grid of copies counts along its rows", () => {
  const state = stateOf(part("U1", 10, 10));
  const copies = model.gridOf(state, state.parts[0], { columns: 3, rows: 2, stepX: 12.7, stepY: 25.4 });
  assert.deepEqual(copies.map((copy) => [copy.ref, copy.x_mm, copy.y_mm]), [
    ["U2", 22.7, 10], ["U3", 35.4, 10], ["U4", 10, 35.4], ["U5", 22.7, 35.4], ["U6", 35.4, 35.4],
  ]);
});

test("problems are told as the layout check tells them", () => {
  const state = stateOf(part("U1", 50, 40), part("U1", 55, 40), part("#3", 20, 20), part("U4", 300, 20), part("J5", 3, 60));
  assert.deepEqual(model.problemsOf(state).map(({ level, text }) => `${level}: ${text}`), [
    "fault: U1 is there twice",
    "fault: #3: a ref cannot start with #",
    "fault: U4 lies outside the board",
    "remark: J5 reaches 7.0 mm beyond the edge",
    "remark: U1 and U1 overlap by 8.0 mm",
  ]);
});

test("all overlaps are told in the order of the parts, as looking at every pair tells them", () => {
  let seed = 7;
  const draw = (low, high) => {
    seed = (seed * 16807) % 2147483647;
    return low + ((high - low) * seed) / 2147483647;
  };
  const state = model.addParts(model.emptyState({ width_mm: 100, height_mm: 100 }), Array.from({ length: 80 }, (_, i) => (
    part(`U${i}`, draw(20, 80), draw(20, 80), { length_mm: draw(2, 15), width_mm: draw(2, 15), rotation_deg: draw(0, 360) }))));
  const pairs = state.parts.flatMap((one, i) => state.parts.slice(i + 1).map((other) => [one, other]));
  const expected = pairs.filter(([one, other]) => geometry.overlapDepth(one, other) > 0.5).map(([one, other]) => [one.id, other.id]);
  assert.ok(expected.length > 50);
  assert.deepEqual(model.problemsOf(state).filter((found) => found.text.includes("overlap by")).map((found) => found.ids), expected);
});

test("a parts file leaves out what the package tells, and quotes what needs it", () => {
  const packages = { "DIP-16": { name: "DIP-16", length_mm: 19.3, width_mm: 6.35, surface: "plastic" } };
  const known = part("U1", 10, 10, { package: "DIP-16", length_mm: 19.3, width_mm: 6.35, value: 'a, "b"' });
  const taped = { ...known, ref: "U2", surface: "tape", rotation_deg: 90, max_c: 85 };
  assert.equal(files.partsCsv(stateOf(known, taped), packages), [
    "ref,package,x_mm,y_mm,rotation_deg,surface,max_c,value",
    'U1,DIP-16,10,10,,,,"a, ""b"""',
    'U2,DIP-16,10,10,90,tape,85,"a, ""b"""',
    "",
  ].join("\n"));
});

test("text keeps its letters and loses its line breaks", () => {
  assert.equal(files.plain("a\nb\u0000 שלום 🔥 <b>"), "a b  שלום 🔥 <b>");
  assert.equal(files.boardToml(stateOf()), '[board]\nname = "b"\nwidth_mm = 100\nheight_mm = 80\nthickness_mm = 1.6\nsurface = "solder-mask"\n');
});

test("marks count pixels from the centre of the top left one", () => {
  const state = { ...stateOf(), corners: [[0.5, 0.5], [10.5, 0.5], [10.5, 8.5], [0.5, 8.5]], landmarks: { U1: [3, 4] } };
  assert.equal(files.runMarks(state, 1), "corners_px = [[0.00, 0.00], [10.00, 0.00], [10.00, 8.00], [0.00, 8.00]]\nlandmarks = [\n  { ref = \"U1\", px = [2.50, 3.50] },\n]\n");
});

const PACKAGES = { "DIP-16": { name: "DIP-16", length_mm: 19.3, width_mm: 6.35, surface: "plastic", round: false } };
const findPackage = (name) => (name.replace("-", "").toUpperCase() === "DIP16" ? "DIP-16" : undefined);

test("a parts file that the page saved is loaded alike", () => {
  const state = stateOf(
    part("U1", 10, 10.5, { package: "DIP-16", length_mm: 19.3, width_mm: 6.35, value: 'a, "b"; c', rotation_deg: 90 }),
    part("שלום <b>", 40, 40, { surface: "tape", max_c: 85, note: "x" }),
  );
  const again = loading.partsFromCsv(files.partsCsv(state, PACKAGES), PACKAGES, findPackage);
  for (const [i, one] of state.parts.entries()) {
    for (const key of ["ref", "x_mm", "y_mm", "length_mm", "width_mm", "rotation_deg", "surface", "package"]) assert.equal(again[i][key], one[key], key);
  }
  assert.deepEqual([again[0].value, again[1].max_c, again[1].note], ['a, "b"; c', 85, "x"]);
});

test("a spreadsheet's dialect is loaded, and what is wrong is said", () => {
  const [one] = loading.partsFromCsv("\ufeffref;x_mm;y_mm;package\r\n\r\nU1;12,5;3;dip16\r\n", PACKAGES, findPackage);
  assert.deepEqual([one.ref, one.x_mm, one.length_mm, one.package], ["U1", 12.5, 19.3, "DIP-16"]);
  assert.throws(() => loading.partsFromCsv("ref,x_mm,y_mm\nU1,a,1\n", PACKAGES, findPackage), /part 1, x_mm: "a" is not a number/);
  assert.throws(() => loading.partsFromCsv("a,b\n", PACKAGES, findPackage), /no columns ref/);
});

test("a layout file is loaded, its comments, arrays over lines and quotes included", () => {
  const { board, parts } = loading.layoutFromToml(`
    # a board
    [board]
    name = "A # \\"b\\"" # not a comment inside
    outline_mm = [[0, 0], [100, 0],
      [100, 80], [0, 80],
    ]
    parts = "parts.csv"
    [[part]]
    ref = 'U1'
    package = "DIP-16"
    at_mm = [30, 40.5]
    [[part]]
    ref = "K1"
    body_mm = [20, 15]
    at_mm = [60, 40]
    surface = "metal"
  `, PACKAGES, findPackage);
  assert.equal(board.name, 'A # "b"');
  assert.deepEqual([board.width_mm, board.height_mm, board.parts], [100, 80, undefined]);
  assert.deepEqual(parts.map((one) => [one.ref, one.x_mm, one.y_mm, one.length_mm, one.surface]), [["U1", 30, 40.5, 19.3, "plastic"], ["K1", 60, 40, 20, "metal"]]);
  assert.throws(() => loading.layoutFromToml("[board]\nname = 2026-05-02\n", PACKAGES, findPackage), /name: "2026-05-02" cannot be read here/);
  assert.throws(() => loading.layoutFromToml("[board]\nname = 'x'\n", PACKAGES, findPackage), /no width_mm/);
});

test("photo and stickers of a layout are kept when it is loaded and saved", () => {
  const text = '[board]\nname = "b"\nwidth_mm = 100\nheight_mm = 80\nthickness_mm = 1.6\nsurface = "solder-mask"\nphoto = "photo.png"\n'
    + '\n[[sticker]]\nat_mm = [30,40.5]\nsize_mm = [20,8]\ntext = "CAL \\"11\\" # 86"\n'
    + '\n[[sticker]]\nat_mm = [1,2]\nsize_mm = [3,4]\nnote = "torn"\n';
  const { board, parts } = loading.layoutFromToml(text, PACKAGES, findPackage);
  assert.deepEqual(parts, []);
  assert.equal(files.boardToml({ ...stateOf(), board, parts }), text);
});
