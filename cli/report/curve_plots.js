// Plots of other quantities than places: curves, and states of a lens.

// ---- curves ----

const dashes = ["none", "8 4", "2 3", "10 3 2 3", "14 5", "1 5", "6 2 1 2 1 2", "3 6"];

sectionKinds.curves = (host, section) => {
  const figure = figureIn(host, section.caption);
  const legend = make("div", "controls");
  figure.append(legend);
  section.series.forEach((series, i) => {
    const sample = d3.select(legend).append("span");
    sample.append("svg").attr("width", 36).attr("height", 10).attr("viewBox", "0 0 36 10").style("display", "inline-block")
        .append("path").attr("class", "line").attr("d", "M0 5H36").attr("stroke-dasharray", dashes[i % dashes.length]);
    sample.append("span").text(" " + series.name);
  });
  const all = section.series.flatMap((series) => series.points);
  const levels = section.levels || [];
  // Places by their reciprocal distance are told in metres.
  const metres = (d) => d < 1e-6 ? "infinity" : `${Number((1 / d).toPrecision(3))} m`;
  const placeOf = (value) => section.x_dioptres ? metres(value) : `${Number(value.toFixed(2))} ${section.x_unit}`;
  const roundMetres = [Infinity, 20, 10, 5, 3, 2, 1.5, 1.2, 1, 0.8, 0.7, 0.6, 0.5, 0.4, 0.35, 0.3, 0.25, 0.2, 0.15, 0.1];
  let x = null, y = null;
  const plot = drawing(figure, "curves", section.title, (svg, width) => {
    const size = {width, height: Math.min(380, 0.62 * width + 60)};
    const [left, right, top, bottom] = [52, 22, 28, 40];
    x = d3.scaleLinear().domain(d3.extent(all.map((p) => p[0]).concat(section.x_from ?? []))).range([left, width - right]);
    y = d3.scaleLinear().domain(d3.extent(all.map((p) => p[1]).concat(0, levels.map((level) => level.value)))).nice().range([size.height - bottom, top]);
    const ticks = Math.max(3, Math.floor(width / 90));
    const across = svg.append("g").attr("class", "axis").attr("transform", `translate(0 ${size.height - bottom})`);
    const axis = d3.axisBottom(x).ticks(ticks).tickFormat(section.x_dioptres ? metres : String);
    if (section.x_dioptres) axis.tickValues(metreTicks(x));
    across.call(axis);
    svg.append("g").attr("class", "axis").attr("transform", `translate(${left} 0)`).call(d3.axisLeft(y).ticks(6));
    svg.append("g").attr("class", "axis").append("g").attr("class", "rulers").selectAll("line").data(y.ticks(6)).enter().append("line")
        .attr("x1", left).attr("x2", width - right).attr("y1", y).attr("y2", y);
    svg.append("line").attr("class", "zero").attr("x1", left).attr("x2", width - right).attr("y1", y(0)).attr("y2", y(0));
    svg.append("text").attr("x", width - right).attr("y", size.height - 6).attr("text-anchor", "end").text(section.x_label);
    svg.append("text").attr("x", 2).attr("y", 14).text(section.y_label);
    for (const level of levels) {
      svg.append("line").attr("class", "straight level").attr("x1", left).attr("x2", width - right).attr("y1", y(level.value)).attr("y2", y(level.value));
      svg.append("text").attr("class", "halo").attr("x", left + 6).attr("y", y(level.value) - 4).text(level.label);
    }
    const line = d3.line().x((p) => x(p[0])).y((p) => y(p[1]));
    section.series.forEach((series, i) => {
      svg.append("path").attr("class", "line series").attr("d", line(series.points)).attr("stroke-dasharray", dashes[i % dashes.length]);
    });
    if (section.series.length > 1) nameCurves(svg);
    svg.append("line").attr("class", "cursor").attr("visibility", "hidden").attr("y1", top).attr("y2", size.height - bottom);
    return size;
  });
  /// Round distances within the axis that have room for their names.
  function metreTicks(scale) {
    const [least, most] = scale.domain();
    const kept = [];
    for (const d of roundMetres.map((m) => 1 / m)) {
      if (d < least - 1e-9 || d > most + 1e-9) continue;
      if (kept.every((other) => Math.abs(scale(other) - scale(d)) > 52)) kept.push(d);
    }
    return kept.length ? kept : [least, most];
  }
  /// Names at the ends of the curves, where there is room.
  function nameCurves(svg) {
    const taken = [];
    for (const series of section.series) {
      const end = series.points.reduce((a, b) => b[0] > a[0] ? b : a);
      const [px, py] = [x(end[0]), y(end[1])];
      // Curves that end at one place share a label.
      const other = taken.find(([qx, qy]) => Math.abs(qy - py) < 14 && Math.abs(qx - px) < 90);
      if (other) {
        other[2].text(other[2].text() + ", " + series.name);
        continue;
      }
      // On the side that the curve does not come from.
      const before = series.points[Math.max(0, series.points.indexOf(end) - Math.ceil(series.points.length / 8))];
      const falls = y(before[1]) < py - 4;
      taken.push([px, py, svg.append("text").attr("class", "halo").attr("text-anchor", "end").attr("x", px)
          .attr("y", falls ? Math.min(py + 15, y.range()[0] - 4) : py - 5).text(series.name)]);
    }
  }
  const readout = readoutBelow(figure, "Point at the curves for their figures.");
  plot.svg.node().addEventListener("pointermove", (event) => {
    const [px] = pointer(plot.svg, event);
    const at = x.invert(px);
    const words = [];
    let nearestX = null;
    for (const series of section.series) {
      const point = series.points.reduce((a, b) => Math.abs(b[0] - at) < Math.abs(a[0] - at) ? b : a);
      if (Math.abs(x(point[0]) - px) > 40) continue;
      if (nearestX === null) nearestX = point[0];
      words.push(`${series.name} ${point[1].toFixed(3)} ${section.y_unit}` + (point.length > 2 ? ` (${point[2].toFixed(2)} px)` : "") +
          ` at ${placeOf(point[0])}`);
    }
    if (!words.length) return readout.rest();
    plot.svg.select(".cursor").attr("visibility", "visible").attr("x1", x(nearestX)).attr("x2", x(nearestX));
    readout.say(words.join("; "));
  });
  figure.finish();
};

// ---- quantities over focal length and focus ----

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
    const {values, steps, unit} = quantity();
    const shade = veils(legend, steps, unit);
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
