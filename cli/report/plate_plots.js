// Plots over the frame.

// ---- the picture before and after ----

sectionKinds.pictures = (host, section) => {
  const figure = figureIn(host, section.caption);
  const wipe = range("plate", 0, 1000, 1, 500, "wipe");
  wipe.label.append("straightened");
  wipe.label.className = "wiping";
  wipe.input.setAttribute("aria-label", "how much of the plate is shown beside the straightened picture");
  const controls = make("div", "controls", wipe.label);
  const hasRows = section.rows.length > 0;
  const rows = make("input");
  Object.assign(rows, {type: "checkbox", checked: hasRows, name: "rows"});
  if (hasRows) controls.append(make("label", "wiping", rows, section.rows_label));
  figure.append(controls);
  let place = null;
  const plot = plateDrawing(figure, "pictures", section.title, section.extent, (svg, at) => {
    place = at;
    svg.classed("wipe", true);
    hatchPattern(svg, "beyond");
    svg.append("rect").attr("width", at.width).attr("height", at.height).attr("fill", "url(#beyond)");
    for (const side of ["before", "after"]) {
      svg.append("clipPath").attr("id", "clip-" + side).append("rect").attr("height", at.height);
      const group = svg.append("g").attr("class", side).attr("clip-path", `url(#clip-${side})`);
      const picture = section[side];
      if (picture) {
        group.append("image").attr("href", picture.source)
            .attr("x", at.x(picture.x)).attr("y", at.y(picture.y))
            .attr("width", at.x(picture.x + picture.width) - at.x(picture.x))
            .attr("height", at.y(picture.y + picture.height) - at.y(picture.y))
            .attr("preserveAspectRatio", "none");
      }
      const d = section.rows.map((row) => "M" + row[side].map(([x, y]) => `${at.x(x).toFixed(2)} ${at.y(y).toFixed(2)}`).join("L")).join("");
      group.append("path").attr("class", "rows-rim overlay").attr("d", d);
      group.append("path").attr("class", "rows overlay").attr("d", d);
    }
    svg.append("rect").attr("class", "edge").attr("x", at.x(0)).attr("y", at.y(0))
        .attr("width", at.x(plateSize.width) - at.x(0)).attr("height", at.y(plateSize.height) - at.y(0));
    svg.append("line").attr("class", "handle").attr("y2", at.height);
    svg.append("line").attr("class", "handle-core").attr("y2", at.height);
    svg.append("path").attr("class", "grip");
    tagged(svg, "plate", "before-tag");
    tagged(svg, "straightened", "after-tag");
    update();
  });
  function tagged(svg, text, name) {
    const tag = svg.append("g").attr("class", name);
    tag.append("rect").attr("class", "tag").attr("width", text.length * 7 + 12).attr("height", 20).attr("rx", 3);
    tag.append("text").attr("class", "tag-text").attr("x", 6).attr("y", 14).text(text);
  }
  function update() {
    const svg = d3.select(figure).select("svg");
    const at = place.width * wipe.input.value / 1000;
    svg.select("#clip-before rect").attr("x", 0).attr("width", at);
    svg.select("#clip-after rect").attr("x", at).attr("width", place.width - at);
    svg.selectAll(".handle, .handle-core").attr("x1", at).attr("x2", at);
    const y = place.height / 2;
    svg.select(".grip").attr("d", `M${at - 4} ${y - 9}l-9 9l9 9zM${at + 4} ${y - 9}l9 9l-9 9z`);
    svg.select(".before-tag").attr("transform", `translate(8 ${place.height - 28})`)
        .attr("visibility", at > 70 ? "visible" : "hidden");
    svg.select(".after-tag").attr("transform", `translate(${place.width - 106} ${place.height - 28})`)
        .attr("visibility", place.width - at > 115 ? "visible" : "hidden");
    svg.selectAll(".overlay").attr("visibility", rows.checked ? "visible" : "hidden");
  }
  const drag = (event) => {
    if (event.type === "pointermove" && !(event.buttons & 1)) return;
    const [x] = pointer(plot.svg, event);
    wipe.input.value = Math.round(1000 * x / place.width);
    update();
  };
  plot.svg.node().addEventListener("pointerdown", drag);
  plot.svg.node().addEventListener("pointermove", drag);
  wipe.input.addEventListener("input", update);
  rows.addEventListener("change", update);
  figure.finish();
};

// ---- residual vectors ----

sectionKinds.vectors = (host, section) => {
  const figure = figureIn(host, section.caption);
  const shown = section.alone ? [] : report.frames.filter((frame) => frame.x);
  const views = section.alone ? [[section.alone, drawMeans]] :
      [["all frames, every point", (svg) => shown.forEach((frame) => drawFrame(svg, frame))],
       ["all frames, mean of each cell", drawMeans],
       ...shown.map((frame) => [frame.name, (svg) => drawFrame(svg, frame)])];
  const which = choice("show", views.map(([words]) => words), "view");
  const longest = Math.log10(section.exaggeration) + 1;
  const factor = range("exaggerated", longest - 2, longest, 0.01, longest - 1, "exaggeration");
  const stated = make("b", "");
  factor.label.append(stated);
  figure.append(make("div", "controls", views.length > 1 ? which.label : "", factor.label));
  // Places along the edges want room for what they show.
  const room = section.alone ? 0.04 * plateSize.width : 0;
  const extent = {x0: -room, y0: -room, x1: plateSize.width + room, y1: plateSize.height + room};
  let place = null;
  let points = [];  // what the pointer can find: place on the plate, and words
  const times = () => Number((10 ** factor.input.value).toPrecision(2));
  const stem = (x, y, dx, dy) => `M${place.x(x).toFixed(2)} ${place.y(y).toFixed(2)}` +
      `l${(dx * times() * place.scale * plateSize.pixel_aspect).toFixed(2)} ${(dy * times() * place.scale).toFixed(2)}`;
  const dot = (x, y) => `M${place.x(x).toFixed(2)} ${place.y(y).toFixed(2)}h0`;
  const cross = (x, y) => `M${(place.x(x) - 3).toFixed(2)} ${(place.y(y) - 3).toFixed(2)}l6 6m0 -6l-6 6`;
  function drawFrame(svg, frame) {
    const group = svg.append("g").attr("data-frame", frame.name);
    let stems = "", dots = "", crosses = "";
    frame.x.forEach((x, i) => {
      const y = frame.y[i];
      const [dx, dy, kept] = [frame.dx[i], frame.dy[i], frame.kept[i] === 1 && frame.used];
      if (dx !== null) stems += stem(x, y, dx, dy);
      if (kept) dots += dot(x, y); else crosses += cross(x, y);
      points.push({x, y, words: `${frame.name}: ` + (dx === null ? "no prediction" :
          `${Math.hypot(dx, dy).toFixed(3)} px (${sides(dx, dy, 3)})`) +
          ` at ${coordinate(x)}, ${coordinate(y)}${kept ? "" : ", left out"}`});
    });
    group.append("path").attr("class", "stem").attr("d", stems);
    group.append("path").attr("class", "dots").attr("d", dots);
    group.append("path").attr("class", "crosses").attr("d", crosses);
  }
  function drawMeans(svg) {
    const group = svg.append("g").attr("class", "mean");
    let stems = "", dots = "";
    for (const cell of section.means) {
      stems += stem(cell.x, cell.y, cell.dx, cell.dy);
      dots += dot(cell.x, cell.y);
      points.push({x: cell.x, y: cell.y, words: (cell.points ? `mean of ${cell.points} points: ` : "") +
          `${Math.hypot(cell.dx, cell.dy).toFixed(3)} px (${sides(cell.dx, cell.dy, 3)}) at ${coordinate(cell.x)}, ${coordinate(cell.y)}`});
    }
    group.append("path").attr("class", "stem").attr("d", stems);
    group.append("path").attr("class", "dots").attr("d", dots);
  }
  const plot = plateDrawing(figure, "vectors", section.title, extent, (svg, at) => {
    place = at;
    points = [];
    stated.textContent = `${times()} times`;
    svg.append("rect").attr("class", "plate").attr("x", at.x(0)).attr("y", at.y(0))
        .attr("width", at.x(plateSize.width) - at.x(0)).attr("height", at.y(plateSize.height) - at.y(0));
    views[which.select.value][1](svg);
    drawRuler(svg, at);
    svg.append("circle").attr("class", "cursor").attr("r", 7).attr("visibility", "hidden");
  });
  /// How long a pixel is drawn.
  function drawRuler(svg, at) {
    const unit = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50].find(
        (px) => px * times() * at.scale > 30) || 100;
    const length = unit * times() * at.scale;
    svg.append("text").attr("class", "halo").attr("x", 10).attr("y", at.height - 16).text(`${unit} px`);
    svg.append("path").attr("class", "edge").attr("d", `M10 ${at.height - 8}h${length}m0 -4v8M10 ${at.height - 12}v8`);
  }
  const readout = readoutBelow(figure, "Point at a mark for its figures.");
  plot.svg.node().addEventListener("pointermove", (event) => {
    const [px, py] = pointer(plot.svg, event);
    let best = null, least = 400;
    for (const point of points) {
      const d = (place.x(point.x) - px) ** 2 + (place.y(point.y) - py) ** 2;
      if (d < least) [best, least] = [point, d];
    }
    plot.svg.select(".cursor").attr("visibility", best ? "visible" : "hidden")
        .attr("cx", best ? place.x(best.x) : 0).attr("cy", best ? place.y(best.y) : 0);
    if (best) readout.say(best.words); else readout.rest();
  });
  which.select.addEventListener("change", plot.render);
  factor.input.addEventListener("input", plot.render);
  figure.finish();
};

// ---- coverage ----

sectionKinds.coverage = (host, section) => {
  const figure = figureIn(host, section.caption);
  const {columns, rows} = section;
  const most = Math.max(...section.points, 1);
  let place = null;
  const plot = plateDrawing(figure, "coverage", section.title, wholePlate, (svg, at) => {
    place = at;
    hatchPattern(svg, "empty");
    svg.append("rect").attr("class", "plate").attr("width", at.width).attr("height", at.height);
    const [w, h] = [at.width / columns, at.height / rows];
    svg.append("g").selectAll("rect").data(section.points).enter().append("rect")
        .attr("class", (n) => n > 0 ? "count" : "hatched")
        .attr("fill", (n) => n > 0 ? null : "url(#empty)")
        .attr("width", (n) => w * (n > 0 ? 0.15 + 0.8 * Math.sqrt(n / most) : 1))
        .attr("height", (n) => h * (n > 0 ? 0.15 + 0.8 * Math.sqrt(n / most) : 1))
        .attr("x", function(n, i) { return (i % columns + 0.5) * w - this.getAttribute("width") / 2; })
        .attr("y", function(n, i) { return (Math.floor(i / columns) + 0.5) * h - this.getAttribute("height") / 2; });
    svg.append("rect").attr("class", "edge").attr("width", at.width).attr("height", at.height);
  });
  const readout = readoutBelow(figure, "Point at a cell for its count.");
  plot.svg.node().addEventListener("pointermove", (event) => {
    const [px, py] = pointer(plot.svg, event);
    const column = Math.min(columns - 1, Math.max(0, Math.floor(px / place.width * columns)));
    const row = Math.min(rows - 1, Math.max(0, Math.floor(py / place.height * rows)));
    const cell = row * columns + column;
    readout.say(`column ${column + 1}, row ${row + 1}: ${section.points[cell]} points from ${section.frames[cell]} frames`);
  });
  figure.finish();
};

// ---- where measured points end ----

/// The outline, and its name where it is farthest from the frame's edges.
function drawReach(svg, at, outline, path) {
  svg.append("path").attr("class", "reach-outline").attr("d", path(outline) + "Z");
  const room = ([px, py]) => Math.min(at.x(px), at.width - at.x(px), at.y(py), at.height - at.y(py));
  const place = outline.reduce((a, b) => room(b) > room(a) ? b : a);
  svg.append("text").attr("class", "halo reach-name").attr("text-anchor", "middle")
      .attr("x", Math.min(Math.max(at.x(place[0]), 26), at.width - 26)).attr("y", Math.min(Math.max(at.y(place[1]) + 4, 16), at.height - 8)).text("reach");
}

const platePath = (at) => (points) => "M" + points.map(([px, py]) => `${at.x(px).toFixed(2)} ${at.y(py).toFixed(2)}`).join("L");

// ---- a number over the frame ----

sectionKinds.field = (host, section) => {
  const figure = figureIn(host, section.caption);
  const {columns, rows, values, steps} = section;
  const legend = make("div", "controls");
  figure.append(legend);
  toneLegend(legend, steps, section.unit);
  const fine = refined(section, 3);
  let place = null;
  const plot = plateDrawing(figure, "field", section.title, wholePlate, (svg, at) => {
    place = at;
    hatchPattern(svg, "nothing");
    svg.append("rect").attr("width", at.width).attr("height", at.height).attr("fill", "url(#nothing)");
    const grid = bandGrid(fine, (column) => column * at.width / (fine.columns - 1), (row) => row * at.height / (fine.rows - 1));
    drawBands(svg, grid, section, {x0: 0, y0: 0, x1: at.width, y1: at.height});
    if (section.reach) drawReach(svg, at, section.reach.bent, platePath(at));
    svg.append("rect").attr("class", "edge").attr("width", at.width).attr("height", at.height);
    svg.append("circle").attr("class", "cursor").attr("r", 6).attr("visibility", "hidden");
  });
  const readout = readoutBelow(figure, "Point at the frame for its figure there.");
  plot.svg.node().addEventListener("pointermove", (event) => {
    const [px, py] = pointer(plot.svg, event);
    const column = Math.round(px / place.width * (columns - 1)), row = Math.round(py / place.height * (rows - 1));
    if (column < 0 || row < 0 || column >= columns || row >= rows) return readout.rest();
    const value = values[row * columns + column];
    const [x, y] = [column / (columns - 1), row / (rows - 1)];
    plot.svg.select(".cursor").attr("visibility", "visible").attr("cx", x * place.width).attr("cy", y * place.height);
    readout.say(value === null ? `${section.none} at ${coordinate(x * plateSize.width)}, ${coordinate(y * plateSize.height)}`
        : `${value.toPrecision(3)} ${section.unit} at ${coordinate(x * plateSize.width)}, ${coordinate(y * plateSize.height)}`);
  });
  figure.finish();
};

// ---- the image of a straight grid ----

sectionKinds.grid = (host, section) => {
  const figure = figureIn(host, section.caption);
  const factor = range("shifts drawn", 1, section.most, 0.1, section.exaggeration, "grid-exaggeration");
  const stated = make("b", "");
  factor.label.append(stated);
  figure.append(make("div", "controls", factor.label));
  const plot = plateDrawing(figure, "grid", section.title, wholePlate, (svg, at) => {
    const times = Number(factor.input.value);
    stated.textContent = times === 1 ? "at true size" : `${times.toFixed(1)} times`;
    svg.append("rect").attr("class", "plate").attr("width", at.width).attr("height", at.height);
    const path = platePath(at);
    const moved = (line) => line.straight.map(([px, py], i) => [px + times * (line.bent[i][0] - px), py + times * (line.bent[i][1] - py)]);
    for (const line of section.lines) {
      svg.append("path").attr("class", "straight").attr("d", path(line.straight));
      const pieces = piecesOf(moved(line), line.beyond);
      const bent = svg.append("g").attr("class", "bent-line");
      if (pieces.within.length) bent.append("path").attr("class", "bent").attr("d", pieces.within.map(path).join(""));
      if (pieces.beyond.length) bent.append("path").attr("class", "bent beyond").attr("d", pieces.beyond.map(path).join(""));
    }
    if (section.reach) drawReach(svg, at, moved(section.reach), path);
    svg.append("rect").attr("class", "edge").attr("width", at.width).attr("height", at.height);
  });
  factor.input.addEventListener("input", plot.render);
  figure.finish();
};
