// Points, bodies and the plane homography. Millimetres and pixels alike: x to the right, y down.

/** Solve a small linear system by elimination with pivoting; null where it has no single answer. */
function solveLinear(rows) {
  const size = rows.length;
  const matrix = rows.map((row) => row.slice());
  for (let column = 0; column < size; column += 1) {
    let pivot = column;
    for (let row = column + 1; row < size; row += 1) {
      if (Math.abs(matrix[row][column]) > Math.abs(matrix[pivot][column])) pivot = row;
    }
    if (Math.abs(matrix[pivot][column]) < 1e-12) return null;
    [matrix[column], matrix[pivot]] = [matrix[pivot], matrix[column]];
    for (let row = 0; row < size; row += 1) {
      if (row === column) continue;
      const share = matrix[row][column] / matrix[column][column];
      for (let k = column; k <= size; k += 1) matrix[row][k] -= share * matrix[column][k];
    }
  }
  return matrix.map((row, index) => row[size] / row[index]);
}

/** The homography (nine numbers, row by row) that carries four points to four others, or null. */
export function homographyFrom(from, to) {
  const rows = [];
  from.forEach(([x, y], index) => {
    const [u, v] = to[index];
    rows.push([x, y, 1, 0, 0, 0, -u * x, -u * y, u]);
    rows.push([0, 0, 0, x, y, 1, -v * x, -v * y, v]);
  });
  const solved = solveLinear(rows);
  return solved && [...solved, 1];
}

/** A point carried through a homography. */
export function mapPoint(h, x, y) {
  const w = h[6] * x + h[7] * y + h[8];
  return [(h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w];
}

/** What is wrong with four corners (top left, top right, bottom right, bottom left), or null. */
export function cornerFault(points) {
  const turns = points.map(([x, y], i) => {
    const [x1, y1] = points[(i + 1) % 4];
    const [x2, y2] = points[(i + 2) % 4];
    return (x1 - x) * (y2 - y1) - (y1 - y) * (x2 - x1);
  });
  if (turns.every((turn) => turn > 0)) return null;
  if (turns.every((turn) => turn < 0)) return "the corners run anticlockwise, which would show the board in a mirror";
  return "the corners cross over or make a dent";
}

/** A part's four corners, clockwise as seen. */
export function bodyCorners(part) {
  const angle = (part.rotation_deg * Math.PI) / 180;
  const cos = Math.cos(angle);
  const sin = Math.sin(angle);
  const l = part.length_mm / 2;
  const w = part.width_mm / 2;
  return [[-l, -w], [l, -w], [l, w], [-l, w]].map(([x, y]) => [
    part.x_mm + x * cos - y * sin,
    part.y_mm + x * sin + y * cos,
  ]);
}

/** Whether a point of the board lies on a part's body, or within some margin of it. */
export function onBody(part, x, y, margin = 0) {
  const angle = (part.rotation_deg * Math.PI) / 180;
  const dx = x - part.x_mm;
  const dy = y - part.y_mm;
  const along = Math.abs(dx * Math.cos(angle) + dy * Math.sin(angle));
  const across = Math.abs(dy * Math.cos(angle) - dx * Math.sin(angle));
  return along <= part.length_mm / 2 + margin && across <= part.width_mm / 2 + margin;
}

function hull(part) {
  if (!part.round) return bodyCorners(part);
  return Array.from({ length: 24 }, (_, i) => {
    const turn = (i * Math.PI) / 12;
    return [part.x_mm + (part.length_mm / 2) * Math.cos(turn), part.y_mm + (part.length_mm / 2) * Math.sin(turn)];
  });
}

/** How deep two bodies lie over one another, in millimetres; 0 or less where they are apart. */
export function overlapDepth(one, other) {
  const reach = Math.hypot(one.length_mm, one.width_mm) / 2 + Math.hypot(other.length_mm, other.width_mm) / 2;
  if (Math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) >= reach) return 0;
  const [a, b] = [hull(one), hull(other)];
  let depth = Infinity;
  for (const points of [a, b]) {
    points.forEach(([x, y], i) => {
      const [x1, y1] = points[(i + 1) % points.length];
      const length = Math.hypot(x1 - x, y1 - y) || 1;
      const [nx, ny] = [(y1 - y) / length, (x - x1) / length];
      const spread = (group) => group.map(([px, py]) => px * nx + py * ny);
      const [sa, sb] = [spread(a), spread(b)];
      depth = Math.min(depth, Math.max(...sa) - Math.min(...sb), Math.max(...sb) - Math.min(...sa));
    });
  }
  return depth;
}

/** Whether a point lies inside a polygon. */
export function insidePolygon(polygon, x, y) {
  let inside = false;
  polygon.forEach(([x0, y0], i) => {
    const [x1, y1] = polygon[(i + 1) % polygon.length];
    if (y0 > y !== y1 > y && x < x0 + ((y - y0) * (x1 - x0)) / (y1 - y0)) inside = !inside;
  });
  return inside;
}

/** How far a body reaches beyond the board's bounding box, in millimetres; 0 where it does not. */
export function reachBeyond(part, width, height) {
  return Math.max(0, ...bodyCorners(part).map(([x, y]) => Math.max(-x, -y, x - width, y - height)));
}
