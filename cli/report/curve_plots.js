// Curves. Each has its own dashes, marks and lightness, and its name at its end.

// None is dotted: that is what lies beyond the reach.
const dashes = ["none", "8 4", "14 3 3 3", "4 2", "14 5", "10 3 2 3 2 3", "6 2 1 2 1 2", "3 6"];
const curveMarks = [d3.symbolCircle, d3.symbolSquare, d3.symbolTriangle, d3.symbolDiamond, d3.symbolCross, d3.symbolWye, d3.symbolStar];
const curveLooks = ["first", "second", "third"];

/// Gives a line the look of the i-th curve.
const asCurve = (path, i) => path.attr("class", "line " + curveLooks[i % curveLooks.length]).attr("stroke-dasharray", dashes[i % dashes.length]);
const markOfCurve = (host, i, x, y) => host.append("path").attr("class", "curve-mark " + curveLooks[i % curveLooks.length])
    .attr("d", d3.symbol().type(curveMarks[i % curveMarks.length]).size(44)()).attr("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);

/// A name in lines of at most `most` letters, broken at blanks.
function brokenName(name, most) {
  const lines = [];
  for (const word of name.split(" ")) {
    if (lines.length && (lines.at(-1) + " " + word).length <= most) lines[lines.length - 1] += " " + word; else lines.push(word);
  }
  return lines;
}

sectionKinds.curves = (host, section) => {
  const figure = figureIn(host, section.caption);
  const legend = make("div", "controls");
  figure.append(legend);
  section.series.forEach((series, i) => {
    const sample = d3.select(legend).append("span");
    const line = sample.append("svg").attr("width", 44).attr("height", 12).attr("viewBox", "0 0 44 12").style("display", "inline-block");
    asCurve(line.append("path"), i).attr("d", "M0 6H44");
    markOfCurve(line, i, 22, 6);
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
    const size = {width, height: lowered(Math.min(380, 0.62 * width + 60))};
    const longest = Math.max(...section.series.map((series) => series.name.length));
    const named = section.series.length > 1;
    const [left, right, top, bottom] = [52, named ? Math.min(7.8 * longest + 28, 0.3 * width) : 22, 28, 40];
    x = d3.scaleLinear().domain(d3.extent(all.map((p) => p[0]).concat(section.x_from ?? []))).range([left, width - right]);
    y = d3.scaleLinear().domain(d3.extent(all.map((p) => p[1]).concat(0, levels.map((level) => level.value)))).nice().range([size.height - bottom, top]);
    const ticks = Math.max(3, Math.floor(width / 90));
    const across = svg.append("g").attr("class", "axis").attr("transform", `translate(0 ${size.height - bottom})`);
    across.call(d3.axisBottom(x).tickFormat(section.x_dioptres ? metres : String).tickValues(ticksOf(x, ticks)));
    svg.append("g").attr("class", "axis").attr("transform", `translate(${left} 0)`).call(d3.axisLeft(y).ticks(6));
    svg.append("g").attr("class", "axis").append("g").attr("class", "rulers").selectAll("line").data(y.ticks(6)).enter().append("line")
        .attr("x1", left).attr("x2", width - right).attr("y1", y).attr("y2", y);
    svg.append("line").attr("class", "zero").attr("x1", left).attr("x2", width - right).attr("y1", y(0)).attr("y2", y(0));
    const labelEnd = Math.min(width - 2, Math.max(width - right, 6.7 * section.x_label.length));  // on a phone beyond the axis
    svg.append("text").attr("class", "x-label").attr("x", labelEnd).attr("y", size.height - 6).attr("text-anchor", "end").text(section.x_label);
    svg.append("text").attr("x", 2).attr("y", 14).text(section.y_label);
    for (const level of levels) {
      svg.append("line").attr("class", "straight level").attr("x1", left).attr("x2", width - right).attr("y1", y(level.value)).attr("y2", y(level.value));
      svg.append("text").attr("class", "halo").attr("x", left + 6).attr("y", y(level.value) - 4).text(level.label);
    }
    const line = d3.line().x((p) => x(p[0])).y((p) => y(p[1]));
    section.series.forEach((series, i) => {
      const pieces = piecesOf(series.points, series.beyond);
      asCurve(svg.append("path"), i).classed("series", true).attr("d", pieces.within.map(line).join(""));
      if (pieces.beyond.length) svg.append("path").attr("class", `line beyond ${curveLooks[i % curveLooks.length]}`).attr("d", pieces.beyond.map(line).join(""));
      if (named) markCurve(svg, series, i);
    });
    markReach(svg);
    const rings = section.series.flatMap((series, i) => (series.stations || []).map((at) => [at, i]));
    svg.append("g").attr("class", "stations").selectAll("circle").data(rings).enter().append("circle").attr("class", ([, i]) => `ring ${curveLooks[i % curveLooks.length]}`)
        .attr("r", 6.5).attr("cx", ([at]) => x(at[0])).attr("cy", ([at]) => y(at[1]));
    if (named) nameCurves(svg, width - right, Math.floor((right - 24) / 7.6));
    svg.append("line").attr("class", "cursor").attr("visibility", "hidden").attr("y1", top).attr("y2", size.height - bottom);
    return size;
  });
  /// At the stations, and at round values between them, as far as there is room.
  function ticksOf(scale, count) {
    const [least, most] = scale.domain();
    const within = (d) => d >= least - 1e-9 && d <= most + 1e-9;
    const stations = (section.x_ticks || []).filter(within);
    if (!section.x_dioptres && !stations.length) return scale.ticks(count);
    const round = section.x_dioptres ? roundMetres.map((m) => 1 / m).filter(within) : scale.ticks(count);
    const ends = stations.length ? [stations[0], stations.at(-1)] : [];
    const apart = section.x_dioptres ? 52 : 34;
    const kept = [];
    for (const d of new Set([...ends, ...stations, ...round])) if (kept.every((other) => Math.abs(scale(other) - scale(d)) > apart)) kept.push(d);
    return kept.length ? kept : [least, most];
  }
  /// A bar where a curve leaves what was measured; named where the name has room.
  function markReach(svg) {
    const named = [];
    for (const [i, series] of section.series.entries()) {
      for (const at of (series.beyond || []).flat()) {
        if (at === 0 || at === series.points.length - 1) continue;
        const [px, py] = [x(series.points[at][0]), y(series.points[at][1])];
        svg.append("path").attr("class", `reach ${curveLooks[i % curveLooks.length]}`).attr("d", `M${px.toFixed(1)} ${(py - 11).toFixed(1)}v22`);
        const below = py < 0.5 * (y.range()[0] + y.range()[1]);
        const spot = [px, below ? py + 25 : py - 15];
        if (named.some((other) => Math.abs(other[0] - px) < 44 && Math.abs(other[1] - spot[1]) < 14)) continue;
        named.push(spot);
        svg.append("text").attr("class", "halo reach-name").attr("text-anchor", "middle").attr("x", px).attr("y", spot[1]).text("reach");
      }
    }
  }
  /// Marks along a curve; those of curves that lie upon each other stand at different places.
  function markCurve(svg, series, i) {
    const [from, to] = x.range();
    const ringed = section.series.flatMap((other) => other.stations || []).map((at) => [x(at[0]), y(at[1])]);
    const ordered = series.points.slice().sort((a, b) => a[0] - b[0]);
    const apart = 96, first = apart * (i + 0.5) / section.series.length;
    for (let at = from + first; at < to; at += apart) {
      const next = ordered.findIndex((point) => x(point[0]) >= at);
      if (next < 1) continue;  // beside the curve
      const [before, after] = [ordered[next - 1], ordered[next]];
      const share = (at - x(before[0])) / (x(after[0]) - x(before[0]));
      const spot = [at, y(before[1]) + share * (y(after[1]) - y(before[1]))];
      if (ringed.every((ring) => Math.hypot(ring[0] - spot[0], ring[1] - spot[1]) > 14)) markOfCurve(svg, i, ...spot);
    }
  }
  /// The name of each curve beside its end, moved up or down where others stand in the way.
  function nameCurves(svg, edge, most) {
    const lineHeight = 13;
    const names = section.series.map((series, i) => {
      const end = series.points.reduce((a, b) => b[0] > a[0] ? b : a);
      const lines = brokenName(series.name, most);
      return {i, lines, from: [x(end[0]), y(end[1])], half: lines.length * lineHeight / 2 + 1, at: y(end[1])};
    }).sort((a, b) => a.at - b.at);
    const [lowest, highest] = y.range();
    names.forEach((name, k) => {
      name.at = Math.max(name.at, k ? names[k - 1].at + names[k - 1].half + name.half : highest + name.half - 14);
    });
    for (let k = names.length - 1; k >= 0; --k) {
      const below = k + 1 < names.length ? names[k + 1].at - names[k + 1].half : lowest + 10;
      names[k].at = Math.min(names[k].at, below - names[k].half);
    }
    for (const name of names) {
      svg.append("path").attr("class", "leader").attr("d", `M${name.from[0]} ${name.from[1]}L${edge + 8} ${name.at}`);
      markOfCurve(svg, name.i, edge + 12, name.at);
      const label = svg.append("text").attr("class", "end-name").attr("y", name.at - name.half + lineHeight - 2);
      name.lines.forEach((words, k) => label.append("tspan").attr("x", edge + 22).attr("dy", k ? lineHeight : 0).text(words));
    }
  }
  const isBeyond = (series, point) => {
    const at = series.points.indexOf(point);
    return (series.beyond || []).some(([first, last]) => at >= first && at <= last && (at > first || first === 0) && (at < last || last === series.points.length - 1));
  };
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
          ` at ${placeOf(point[0])}` + (isBeyond(series, point) ? ", beyond the reach" : ""));
    }
    if (!words.length) return readout.rest();
    plot.svg.select(".cursor").attr("visibility", "visible").attr("x1", x(nearestX)).attr("x2", x(nearestX));
    readout.say(words.join("; "));
  });
  figure.finish();
};
