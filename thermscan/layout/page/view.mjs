// The picture on the screen: zoom and pan, the picture set upright, and what is drawn over it.

import { bodyCorners, homographyFrom, mapPoint } from "./geometry.mjs";

const MOST_UPRIGHT_PX = 1600;
// So much of the screen is drawn beyond each of its sides.
const AROUND = 0.25;

/** Where things stand on the screen: CSS pixels = offset + scale * unit (picture pixels or millimetres). */
export class View {
  constructor() {
    this.scale = 1;
    this.x = 0;
    this.y = 0;
  }

  fit(width, height, room) {
    this.scale = Math.min(room.width / width, room.height / height) * 0.94;
    this.x = (room.width - width * this.scale) / 2;
    this.y = (room.height - height * this.scale) / 2;
  }

  zoom(factor, at) {
    const scale = Math.min(Math.max(this.scale * factor, 0.05), 200);
    this.x = at[0] - ((at[0] - this.x) * scale) / this.scale;
    this.y = at[1] - ((at[1] - this.y) * scale) / this.scale;
    this.scale = scale;
  }

  toScreen([x, y]) {
    return [this.x + x * this.scale, this.y + y * this.scale];
  }

  toUnits([x, y]) {
    return [(x - this.x) / this.scale, (y - this.y) / this.scale];
  }
}

/** From millimetres of the board to picture pixels; null without four sound corners. */
export function boardToPicture(corners, width, height) {
  return corners.length === 4 ? homographyFrom([[0, 0], [width, 0], [width, height], [0, height]], corners) : null;
}

/** The board seen from straight above, as a canvas of so many pixels a millimetre. */
export function uprightPicture(picture, toPicture, width, height) {
  const pxPerMm = MOST_UPRIGHT_PX / Math.max(width, height);
  const [columns, rows] = [Math.max(1, Math.round(width * pxPerMm)), Math.max(1, Math.round(height * pxPerMm))];
  const whole = document.createElement("canvas");
  [whole.width, whole.height] = [picture.width, picture.height];
  const reader = whole.getContext("2d", { willReadFrequently: true });
  reader.drawImage(picture, 0, 0);
  const source = new Uint32Array(reader.getImageData(0, 0, whole.width, whole.height).data.buffer);
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [columns, rows];
  const context = canvas.getContext("2d");
  const image = context.createImageData(columns, rows);
  const target = new Uint32Array(image.data.buffer);
  for (let row = 0; row < rows; row += 1) {
    for (let column = 0; column < columns; column += 1) {
      const [x, y] = mapPoint(toPicture, (column + 0.5) / pxPerMm, (row + 0.5) / pxPerMm);
      const [i, j] = [Math.floor(x), Math.floor(y)];
      if (i >= 0 && j >= 0 && i < whole.width && j < whole.height) target[row * columns + column] = source[j * whole.width + i];
    }
  }
  context.putImageData(image, 0, 0);
  return canvas;
}

// Dark under light: readable on any picture, and in greyscale.
function outline(context, path, colour, width) {
  context.lineWidth = width + 2;
  context.strokeStyle = "#000000b0";
  path();
  context.stroke();
  context.lineWidth = width;
  context.strokeStyle = colour;
  context.stroke();
}

function polygon(context, points) {
  context.beginPath();
  points.forEach(([x, y], i) => (i ? context.lineTo(x, y) : context.moveTo(x, y)));
  context.closePath();
}

const ENDS = { left: [-1, 0], right: [1, 0], up: [0, -1], down: [0, 1] };

function tracePart(context, view, part) {
  if (part.round) {
    const [x, y] = view.toScreen([part.x_mm, part.y_mm]);
    const radius = (part.length_mm / 2) * view.scale;
    context.moveTo(x + radius, y);
    context.arc(x, y, radius, 0, 2 * Math.PI);
  } else {
    bodyCorners(part).map((point) => view.toScreen(point)).forEach(([x, y], i) => (i ? context.lineTo(x, y) : context.moveTo(x, y)));
    context.closePath();
  }
}

// Bodies of one look are one path: a thousand strokes would cost a picture's time.
function drawParts(context, view, parts, { chosen, marked }) {
  if (!parts.length) return;
  const colour = chosen ? "#ffe14d" : marked ? "#ff8f70" : "#ffffff";
  context.setLineDash(marked && !chosen ? [6, 3] : []);
  outline(context, () => {
    context.beginPath();
    for (const part of parts) tracePart(context, view, part);
  }, colour, chosen ? 2.5 : 1.5);
  context.setLineDash([]);
  if (chosen) {
    context.fillStyle = "#ffe14d38";
    context.fill();
  }
  context.fillStyle = colour;
  for (const part of parts) if (ENDS[part.polarity]) drawEnd(context, view, part);
  context.lineWidth = 3;
  context.strokeStyle = "#000000c0";
  context.fillStyle = "#ffffff";
  for (const part of parts) drawName(context, view, part);
}

function drawEnd(context, view, part) {
  const end = ENDS[part.polarity];
  const angle = (part.rotation_deg * Math.PI) / 180;
  const [dx, dy] = [(end[0] * part.length_mm) / 2, (end[1] * part.width_mm) / 2];
  const [x, y] = view.toScreen([
    part.x_mm + 0.82 * (dx * Math.cos(angle) - dy * Math.sin(angle)),
    part.y_mm + 0.82 * (dx * Math.sin(angle) + dy * Math.cos(angle)),
  ]);
  context.beginPath();
  context.arc(x, y, Math.max(2.5, Math.min(5, 0.8 * view.scale)), 0, 2 * Math.PI);
  context.fill();
}

function drawName(context, view, part) {
  const room = Math.max(part.length_mm, part.width_mm) * view.scale;
  if (room < 12) return;
  const [x, y] = view.toScreen([part.x_mm, part.y_mm]);
  const text = part.ref.length > 14 ? `${part.ref.slice(0, 13)}…` : part.ref;
  context.font = `${Math.max(9, Math.min(14, room / Math.max(2, text.length * 0.7)))}px system-ui, sans-serif`;
  context.strokeText(text, x, y);
  context.fillText(text, x, y);
}

function drawGrid(context, view, board, step) {
  if (step * view.scale < 8) return;
  context.fillStyle = "#ffffff70";
  for (let x = 0; x <= board.width_mm; x += step) {
    for (let y = 0; y <= board.height_mm; y += step) {
      const [px, py] = view.toScreen([x, y]);
      context.fillRect(px - 0.5, py - 0.5, 1, 1);
    }
  }
}

export function drawCross(context, [x, y], label, colour) {
  outline(context, () => {
    context.beginPath();
    context.moveTo(x - 9, y);
    context.lineTo(x + 9, y);
    context.moveTo(x, y - 9);
    context.lineTo(x, y + 9);
  }, colour, 1.5);
  if (!label) return;
  context.font = "bold 13px system-ui, sans-serif";
  context.lineWidth = 3;
  context.strokeStyle = "#000000c0";
  context.strokeText(label, x + 14, y - 12);
  context.fillStyle = colour;
  context.fillText(label, x + 14, y - 12);
}

/** All of the board upright that stands still while chosen parts are dragged. */
function drawStill(context, view, { upright, board, waiting, marked, grid }) {
  const [x, y] = view.toScreen([0, 0]);
  if (upright) context.drawImage(upright, x, y, board.width_mm * view.scale, board.height_mm * view.scale);
  const edge = board.outline_mm || [[0, 0], [board.width_mm, 0], [board.width_mm, board.height_mm], [0, board.height_mm]];
  outline(context, () => polygon(context, edge.map((point) => view.toScreen(point))), "#9fd3ff", 1.5);
  if (grid) drawGrid(context, view, board, grid);
  context.textAlign = "center";
  context.textBaseline = "middle";
  for (const once of [false, true]) {
    drawParts(context, view, waiting.filter((part) => marked.has(part.id) === once), { chosen: false, marked: once });
  }
}

/**
 * What stands still, as a canvas with so much around the screen: a thousand names take longer than a picture may.
 *
 * Drawn anew where anything of it changed, or once the screen was moved beyond it.
 */
export class Still {
  constructor() {
    this.canvas = document.createElement("canvas");
    this.drawn = [];
    this.x = this.y = 0;
  }

  show(context, view, room, things) {
    const { upright, board, waiting, marked, grid } = things;
    const around = Math.round(AROUND * Math.max(room.width, room.height));
    const drawn = [upright, board, grid, view.scale, room.width, room.height, room.ratio, ...waiting, ...waiting.map((part) => marked.has(part.id))];
    const same = drawn.length === this.drawn.length && drawn.every((each, i) => each === this.drawn[i]);
    if (!same || Math.max(Math.abs(view.x - this.x), Math.abs(view.y - this.y)) > around) {
      [this.canvas.width, this.canvas.height] = [room.width, room.height].map((side) => Math.ceil((side + 2 * around) * room.ratio));
      const own = this.canvas.getContext("2d");
      own.setTransform(room.ratio, 0, 0, room.ratio, around * room.ratio, around * room.ratio);
      drawStill(own, view, things);
      [this.drawn, this.x, this.y] = [drawn, view.x, view.y];
    }
    // Pixel by pixel, so that it stays sharp.
    context.save();
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.drawImage(this.canvas, Math.round((view.x - this.x - around) * room.ratio), Math.round((view.y - this.y - around) * room.ratio));
    context.restore();
  }
}

/** The board upright with its parts, the chosen ones on top. */
export function drawBoard(context, view, room, { upright, state, chosen, marked, grid, cursor, still }) {
  const waiting = state.parts.filter((part) => !chosen.has(part.id));
  still.show(context, view, room, { upright, board: state.board, waiting, marked, grid });
  context.textAlign = "center";
  context.textBaseline = "middle";
  drawParts(context, view, state.parts.filter((part) => chosen.has(part.id)), { chosen: true, marked: false });
  if (cursor) drawCross(context, view.toScreen(cursor), "", "#7dffb0");
}

/** The picture as it was taken, with corners and landmarks. */
export function drawPicture(context, view, { picture, state, corner, marks, cursor, toPicture, chosen }) {
  const [x, y] = view.toScreen([0, 0]);
  context.imageSmoothingEnabled = view.scale < 3;
  context.drawImage(picture, x, y, picture.width * view.scale, picture.height * view.scale);
  context.imageSmoothingEnabled = true;
  context.textAlign = "center";
  context.textBaseline = "middle";
  const corners = state.corners.map((point) => view.toScreen(point));
  if (corners.length > 1) {
    outline(context, () => (corners.length === 4 ? polygon(context, corners) : polygon(context, corners)), "#9fd3ff", 1.5);
  }
  corners.forEach((point, i) => drawCross(context, point, String(i + 1), i === corner ? "#ffe14d" : "#ffffff"));
  if (marks) {
    for (const part of state.parts) {
      if (toPicture) {
        const body = bodyCorners(part).map(([px, py]) => view.toScreen(mapPoint(toPicture, px, py)));
        outline(context, () => polygon(context, body), chosen.has(part.id) ? "#ffe14d" : "#ffffff80", 1);
      }
      const mark = state.landmarks[part.ref];
      if (mark) drawCross(context, view.toScreen(mark), part.ref.slice(0, 14), chosen.has(part.id) ? "#ffe14d" : "#7dffb0");
    }
  }
  if (cursor) drawCross(context, view.toScreen(cursor), "", "#7dffb0");
}
