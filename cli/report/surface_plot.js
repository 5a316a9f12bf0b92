// Quantities over focal length and focus.

sectionKinds.surface = (host, section) => {
  const figure = figureIn(host, section.caption);
  const which = choice("show", section.quantities.map((quantity) => quantity.name), "quantity");
  const legend = make("div", "controls");
  figure.append(make("div", "controls", which.label), legend);
  const [columns, rows] = [section.x.count, section.y.count];
  const quantity = () => section.quantities[which.select.value];
  let frame = null;  // of the states, in the drawing's units
  const across = (column) => frame.x0 + column * (frame.x1 - frame.x0) / (columns - 1);
  const down = (row) => frame.y0 + row * (frame.y1 - frame.y0) / (rows - 1);
  const plot = drawing(figure, "surface", section.title, (svg, width) => {
    const size = {width, height: lowered(Math.min(460, 0.6 * width + 80))};
    const bottom = 44;
    frame = {x0: 66, x1: width - 30, y0: 30, y1: size.height - bottom};
    const {values, steps, levels, unit, same, by_size} = quantity();
    toneLegend(legend, steps, unit);
    if (same) legend.replaceChildren(make("span", "", same));
    if (by_size) legend.append(make("span", "", "either way: barrel below 0, pincushion above"));
    hatchPattern(svg, "unknown");
    const box = {x: frame.x0, y: frame.y0, width: frame.x1 - frame.x0, height: frame.y1 - frame.y0};
    const boxed = (shape) => Object.entries(box).reduce((s, [name, value]) => s.attr(name, value), shape);
    boxed(svg.append("rect")).attr("fill", "url(#unknown)");
    // Values go on beyond the stations' outline, which cuts them off.
    svg.append("clipPath").attr("id", "stations-outline").append("path")
        .attr("d", "M" + section.outline.map(([column, row]) => spot([across(column), down(row)])).join("L") + "Z");
    const places = section.stations.map((s) => [across(s.column), down(s.row)]);
    drawBands(svg.append("g").attr("clip-path", "url(#stations-outline)"), bandGrid({columns, rows, values}, across, down),
              {steps: same ? [] : steps, levels, bySize: by_size}, frame, places);
    boxed(svg.append("rect")).attr("class", "edge");
    drawTicks(svg, section.x, size.height - bottom + 18);
    drawTicks(svg, section.y, null);
    svg.append("text").attr("text-anchor", "end").attr("x", frame.x1).attr("y", size.height - 8).text(section.x.label);
    svg.append("text").attr("x", 2).attr("y", 14).text(section.y.label);
    const marks = svg.append("g").attr("class", "stations").selectAll("circle").data(section.stations).enter().append("circle")
        .attr("class", "station").attr("r", 6).attr("cx", (s) => across(s.column)).attr("cy", (s) => down(s.row));
    marks.append("title").text((s) => s.label);
    svg.append("circle").attr("class", "cursor").attr("r", 9).attr("visibility", "hidden");
    return size;
  });
  /// The stations' places, the first and the last above all, as far as there is room; `y` of the
  /// names, or null for those beside the left edge.
  function drawTicks(svg, axis, y) {
    const at = (tick) => y === null ? down(tick.at) : across(tick.at);
    const apart = (a, b) => y === null ? 15 : 3.6 * (a.label.length + b.label.length) + 10;
    for (const tick of roomyTicks(axis.ticks, at, apart)) {
      const name = svg.append("text").attr("class", "tick-name").text(tick.label);
      if (y === null) name.attr("text-anchor", "end").attr("x", frame.x0 - 10).attr("y", at(tick) + 4);
      else name.attr("text-anchor", "middle").attr("x", at(tick)).attr("y", y);
      svg.append("path").attr("class", "edge").attr("d", y === null ? `M${frame.x0 - 5} ${at(tick)}h5` : `M${at(tick)} ${frame.y1}v5`);
    }
  }
  const readout = readoutBelow(figure, "Point at a state for its figure.");
  plot.svg.node().addEventListener("pointermove", (event) => {
    const [px, py] = pointer(plot.svg, event);
    const column = Math.round((px - frame.x0) / (frame.x1 - frame.x0) * (columns - 1)), row = Math.round((py - frame.y0) / (frame.y1 - frame.y0) * (rows - 1));
    const cursor = plot.svg.select(".cursor").attr("visibility", "hidden");
    if (column < 0 || row < 0 || column >= columns || row >= rows) return readout.rest();
    const {values, unit} = quantity();
    const value = section.surrounded[row * columns + column] ? values[row * columns + column] : null;
    cursor.attr("visibility", "visible").attr("cx", across(column)).attr("cy", down(row));
    readout.say(`${section.states[row * columns + column]}: ` + (value === null ? "not known, no stations around it" : `${Number(value.toPrecision(4))} ${unit}`));
  });
  which.select.addEventListener("change", plot.render);
  figure.finish();
};
