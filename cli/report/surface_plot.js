// Quantities over focal length and focus.

sectionKinds.surface = (host, section) => {
  const figure = figureIn(host, section.caption);
  const which = choice("show", section.quantities.map((quantity) => quantity.name), "quantity");
  const legend = make("div", "controls");
  figure.append(make("div", "controls", which.label), legend);
  const [columns, rows] = [section.x.count, section.y.count];
  const quantity = () => section.quantities[which.select.value];
  let cells = null;  // where the cells are, in the drawing's units
  const plot = drawing(figure, "surface", section.title, (svg, width) => {
    const size = {width, height: Math.min(460, 0.6 * width + 80)};
    const [left, right, top, bottom] = [66, 22, 28, 44];
    cells = {left, top, w: (width - left - right) / columns, h: (size.height - top - bottom) / rows};
    const {values, steps, unit, same, by_size} = quantity();
    const veiled = veils(legend, steps, unit);
    const shade = (v) => veiled(by_size ? Math.abs(v) : v);
    if (same) legend.replaceChildren(make("span", "", same));
    if (by_size) legend.append(make("span", "", "either way: barrel below 0, pincushion above"));
    hatchPattern(svg, "unknown");
    svg.append("rect").attr("class", "ground").attr("x", left).attr("y", top).attr("width", cells.w * columns).attr("height", cells.h * rows);
    svg.append("g").attr("class", "cells").selectAll("rect").data(values).enter().append("rect")
        .attr("class", (v) => v === null ? "hatched" : "cell")
        .attr("fill", (v) => v === null ? "url(#unknown)" : null)
        .attr("fill-opacity", (v) => v === null ? 1 : shade(v))
        .attr("x", (v, i) => left + (i % columns) * cells.w).attr("y", (v, i) => top + Math.floor(i / columns) * cells.h)
        .attr("width", cells.w).attr("height", cells.h);
    svg.append("rect").attr("class", "edge").attr("x", left).attr("y", top).attr("width", cells.w * columns).attr("height", cells.h * rows);
    const across = (at) => left + (at + 0.5) * cells.w, down = (at) => top + (at + 0.5) * cells.h;
    drawLevels(svg, across, down);
    // On a narrow page not every label has room; the first and the last are kept.
    const room = (a, b) => a === b || Math.abs(across(a.at) - across(b.at)) > 7 * Math.max(a.label.length, b.label.length) + 10;
    const named = section.x.ticks.slice(0, 1).concat(section.x.ticks.slice(-1));
    for (const tick of section.x.ticks) if (named.every((other) => room(tick, other))) named.push(tick);
    for (const tick of new Set(named)) {
      svg.append("text").attr("text-anchor", "middle").attr("x", across(tick.at)).attr("y", size.height - bottom + 18).text(tick.label);
    }
    for (const tick of section.y.ticks) {
      svg.append("text").attr("text-anchor", "end").attr("x", left - 8).attr("y", down(tick.at) + 4).text(tick.label);
    }
    svg.append("text").attr("text-anchor", "end").attr("x", width - right).attr("y", size.height - 8).text(section.x.label);
    svg.append("text").attr("x", 2).attr("y", 14).text(section.y.label);
    const marks = svg.append("g").attr("class", "stations").selectAll("circle").data(section.stations).enter().append("circle")
        .attr("class", "station").attr("r", 6).attr("cx", (s) => across(s.column)).attr("cy", (s) => down(s.row));
    marks.append("title").text((s) => s.label);
    return size;
  });
  /// Lines of equal value with their figures; that of 0 is thick.
  function drawLevels(svg, across, down) {
    const {values, levels} = quantity();
    const names = svg.append("g");
    const standing = section.stations.map((s) => [across(s.column), down(s.row)]);
    for (const level of levels) {
      const pieces = levelPieces(values, columns, rows, level).map((piece) => piece.map(([cx, cy]) => [across(cx), down(cy)]));
      if (!pieces.length) continue;
      svg.insert("path", () => names.node()).attr("class", level === 0 ? "level-line nought" : "level-line")
          .attr("d", pieces.map((piece) => "M" + piece.map((p) => p.map((v) => v.toFixed(1)).join(" ")).join("L")).join(""));
      const room = (p) => Math.min(300, ...standing.map((q) => Math.hypot(p[0] - q[0], p[1] - q[1])),
                                   2 * (p[0] - across(0)), 2 * (across(columns - 1) - p[0]), 3 * (p[1] - down(0)), 3 * (down(rows - 1) - p[1]));
      const at = pieces.map((piece) => piece[0]).reduce((a, b) => room(b) > room(a) ? b : a);
      if (room(at) < 22) continue;  // it would cover another, or the frame
      standing.push(at);
      names.append("text").attr("class", "halo").attr("text-anchor", "middle").attr("x", at[0]).attr("y", at[1] + 4).text(level);
    }
  }
  const readout = readoutBelow(figure, "Point at a state for its figure.");
  plot.svg.node().addEventListener("pointermove", (event) => {
    const [px, py] = pointer(plot.svg, event);
    const column = Math.floor((px - cells.left) / cells.w), row = Math.floor((py - cells.top) / cells.h);
    if (column < 0 || row < 0 || column >= columns || row >= rows) return readout.rest();
    const {values, unit} = quantity();
    const value = values[row * columns + column];
    readout.say(`${section.states[row * columns + column]}: ` + (value === null ? "not known, no stations around it" : `${Number(value.toPrecision(4))} ${unit}`));
  });
  which.select.addEventListener("change", plot.render);
  figure.finish();
};

/// The straight pieces of a line of equal value, in columns and rows. Only squares of which all four
/// corners are known hold any.
function levelPieces(values, columns, rows, level) {
  const pieces = [];
  for (let row = 0; row + 1 < rows; ++row) {
    for (let column = 0; column + 1 < columns; ++column) {
      const corners = [[0, 0], [1, 0], [1, 1], [0, 1]].map(([dx, dy]) => [column + dx, row + dy]);
      const v = corners.map(([cx, cy]) => values[cy * columns + cx]);
      if (v.includes(null)) continue;
      const cuts = [];
      for (let k = 0; k < 4; ++k) {
        const n = (k + 1) % 4;
        if ((v[k] < level) === (v[n] < level)) continue;
        const share = (level - v[k]) / (v[n] - v[k]);
        cuts.push([corners[k][0] + share * (corners[n][0] - corners[k][0]), corners[k][1] + share * (corners[n][1] - corners[k][1])]);
      }
      for (let k = 0; k + 1 < cuts.length; k += 2) pieces.push([cuts[k], cuts[k + 1]]);
    }
  }
  return pieces;
}
