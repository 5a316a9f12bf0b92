// A number over a grid of places, as bands of colour with lines at their borders. Each square of the
// grid is four triangles about its middle, the mean of its corners, and the number is even within
// each: bands and lines come from the same surface, out to the border.

/// `values` row by row (null: not known), `x` and `y` from columns and rows to the drawing's units.
/// Positive numbers that spread over decades are taken by their logarithm.
function bandGrid({columns, rows, values}, x, y) {
  const known = values.filter((v) => v !== null);
  const byLog = known.length > 0 && d3.min(known) > 0 && d3.max(known) > 4 * d3.min(known);
  const scaled = (v) => v === null ? null : byLog ? (v > 0 ? Math.log(v) : -Infinity) : v;
  const at = values.map(scaled);
  const corner = (column, row) => [x(column), y(row), at[row * columns + column]];
  const squares = [];
  for (let row = 0; row + 1 < rows; ++row) {
    for (let column = 0; column + 1 < columns; ++column) {
      const corners = [corner(column, row), corner(column + 1, row), corner(column + 1, row + 1), corner(column, row + 1)];
      squares.push(corners.filter((c) => c[2] !== null));
    }
  }
  return {squares, scaled};
}

/// The same numbers at `times` as many places each way, by cubics through the squares of the numbers.
/// A predicted error is the root of something smooth: where it comes near 0, straight pieces
/// between its own values would make islands of a valley. As it is, where some are not known.
function refined({columns, rows, values}, times) {
  if (values.includes(null)) return {columns, rows, values};
  const least = 0.25 * d3.min(values) ** 2;
  const spread = (line) => {
    const at = (i) => i < 0 ? 2 * line[0] - line[1] : i >= line.length ? 2 * line.at(-1) - line.at(-2) : line[i];
    const out = [];
    for (let i = 0; i + 1 < line.length; ++i) {
      const [a, b, c, d] = [at(i - 1), at(i), at(i + 1), at(i + 2)];
      for (let k = 0; k < times; ++k) {
        const t = k / times;
        out.push(b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a))));
      }
    }
    return [...out, line.at(-1)];
  };
  const across = d3.range(rows).map((row) => spread(values.slice(row * columns, (row + 1) * columns).map((v) => v * v)));
  const down = d3.range(across[0].length).map((column) => spread(across.map((line) => line[column])));
  const size = {columns: down.length, rows: down[0].length};
  return {...size, values: d3.range(size.rows).flatMap((row) => down.map((line) => Math.sqrt(Math.max(line[row], least))))};
}

/// Those of a square: none where two of its corners are not known.
function trianglesOf(square) {
  if (square.length < 4) return square.length === 3 ? [square] : [];
  const middle = [0, 1, 2].map((k) => d3.mean(square, (c) => c[k]));
  return square.map((corner, k) => [corner, square[(k + 1) % 4], middle]);
}

const cutOf = (a, b, level) => {
  const share = (level - a[2]) / (b[2] - a[2]);
  return [a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), level];
};
const spot = (p) => `${p[0].toFixed(2)} ${p[1].toFixed(2)}`;

/// The path around all places of at least `level`; with `below`, of at most that.
function bandPath(grid, level, below = false) {
  const limit = grid.scaled(level);
  const isIn = (p) => below ? p[2] <= limit : p[2] >= limit;
  let d = "", run = null;  // whole squares beside each other are one
  const flush = () => {
    if (run) d += "M" + run.map(spot).join("L") + "Z";
    run = null;
  };
  for (const square of grid.squares) {
    if (square.length === 4 && square.every(isIn)) {
      if (run && run[1][0] === square[0][0] && run[1][1] === square[0][1]) [run[1], run[2]] = [square[1], square[2]];
      else { flush(); run = square.slice(); }
      continue;
    }
    if (!square.some(isIn)) continue;
    for (const triangle of trianglesOf(square)) {
      const kept = [];
      triangle.forEach((corner, k) => {
        const next = triangle[(k + 1) % 3];
        if (isIn(corner)) kept.push(corner);
        if (isIn(corner) !== isIn(next)) kept.push(cutOf(corner, next, limit));
      });
      if (kept.length > 2) d += "M" + kept.map(spot).join("L") + "Z";
    }
  }
  flush();
  return d;
}

/// All places whose number is known.
const knownPath = (grid) => grid.squares.flatMap(
    (square) => square.length === 4 ? [square] : trianglesOf(square)).map((piece) => "M" + piece.map(spot).join("L") + "Z").join("");

/// The straight pieces of the line where the number is `level`.
function levelPieces(grid, level) {
  const limit = grid.scaled(level);
  const pieces = [];
  for (const square of grid.squares) {
    if (square.every((c) => c[2] < limit) || square.every((c) => c[2] >= limit)) continue;
    for (const triangle of trianglesOf(square)) {
      const cuts = [];
      triangle.forEach((corner, k) => {
        const next = triangle[(k + 1) % 3];
        if ((corner[2] < limit) !== (next[2] < limit)) cuts.push(cutOf(corner, next, limit));
      });
      if (cuts.length === 2) pieces.push(cuts);
    }
  }
  return pieces;
}

/// Draws the bands between `steps`, in tones that grow with the number (with `bySize` with its
/// distance from 0), then a line with its figure at each of `levels`. Figures keep away from
/// `standing` and from the border.
function drawBands(svg, grid, {steps, levels, bySize}, frame, standing = []) {
  const bands = svg.append("g").attr("class", "bands");
  bands.append("path").attr("class", "band tone-0").attr("d", knownPath(grid));
  steps.forEach((step, i) => bands.append("path").attr("class", `band tone-${i + 1}`)
      .attr("d", bandPath(grid, step) + (bySize ? bandPath(grid, -step, true) : "")));
  const lines = svg.append("g").attr("class", "levels"), names = svg.append("g");
  const taken = standing.slice();
  const sideways = (p) => Math.min(p[0] - frame.x0, frame.x1 - p[0]), upright = (p) => Math.min(p[1] - frame.y0, frame.y1 - p[1]);
  const room = (p) => Math.min(300, 2 * sideways(p), 3 * upright(p), ...taken.map((q) => Math.hypot(p[0] - q[0], 2 * (p[1] - q[1]))));
  for (const level of levels) {
    const pieces = levelPieces(grid, level);
    if (!pieces.length) continue;
    const d = pieces.map((piece) => "M" + piece.map(spot).join("L")).join("");
    lines.append("path").attr("class", "level-rim").attr("d", d);
    lines.append("path").attr("class", level === 0 ? "level-line nought" : "level-line").attr("d", d);
    const at = pieces.map((piece) => piece[0]).reduce((a, b) => room(b) > room(a) ? b : a);
    if (room(at) < 30) continue;  // it would cover another, or the frame
    taken.push(at);
    names.append("text").attr("class", "halo").attr("text-anchor", "middle").attr("x", at[0]).attr("y", at[1] + 4).text(level);
  }
}

/// What each tone means.
function toneLegend(legend, steps, unit) {
  legend.replaceChildren();
  for (let i = 0; i <= steps.length; ++i) {
    const words = i === 0 ? `below ${steps[0]}` : i === steps.length ? `above ${steps[i - 1]}` : `${steps[i - 1]} to ${steps[i]}`;
    const box = d3.select(legend).append("span");
    const swatch = box.append("svg").attr("width", 20).attr("height", 13).attr("viewBox", "0 0 20 13").style("display", "inline-block");
    swatch.append("rect").attr("class", `tone-${i}`).attr("width", 20).attr("height", 13);
    swatch.append("rect").attr("class", "edge").attr("width", 20).attr("height", 13);
    box.append("span").text(` ${words} ${unit}`);
  }
}
