// Judges a report page from inside, in a copy whose content security policy was taken out for it:
// what stands in the page against the JSON that it was made from. The verdict goes into the page as
// one line of JSON, for browse_report.py.
"use strict";

const failures = [];
let checks = 0;
function expect(what, found, wanted) {
  ++checks;
  if (found !== wanted) failures.push(`${what}: found ${found}, wanted ${wanted}`);
}
const all = (host, selector) => [...host.querySelectorAll(selector)];
const strokes = (host, selector) => all(host, selector).reduce(
    (sum, path) => sum + ((path.getAttribute("d") || "").match(/M/g) || []).length, 0);

/// Moves the pointer to a place of a drawing, given in the drawing's own units.
function pointAt(svg, x, y, type = "pointermove", buttons = 0) {
  const box = svg.getBoundingClientRect();
  const view = svg.viewBox.baseVal;
  svg.dispatchEvent(new PointerEvent(type, {
    bubbles: true, buttons, clientX: box.left + x * box.width / view.width, clientY: box.top + y * box.height / view.height}));
}
const numbersIn = (text) => (text.match(/[-+]?\d+(\.\d+)?(e[-+]?\d+)?/g) || []).map(Number);
const said = (host) => host.querySelector("output").textContent;
function slide(host, name, value) {
  const input = host.querySelector(`input[name="${name}"]`);
  input.value = value;
  input.dispatchEvent(new Event("input"));
}
function choose(host, name, value) {
  const select = host.querySelector(`select[name="${name}"]`);
  select.value = value;
  select.dispatchEvent(new Event("change"));
}

/// How many points are drawn of a curve before its reach ends, with those at the reach itself.
function pointsWithin(series) {
  let [count, from] = [0, 0];
  for (const [first, last] of series.beyond || []) {
    if (first > from) count += first - from + 1;
    from = last;
  }
  return count + (from < series.points.length - 1 ? series.points.length - from : 0);
}

/// Each mean, where no other lies as near. `dots`: x and y of each.
function hoverMeans(host, section, dots) {
  const svg = host.querySelector("svg[data-plot]");
  section.means.forEach((mean, i) => {
    pointAt(svg, dots[2 * i], dots[2 * i + 1]);
    expect("hover of a mean", said(host).includes(`${Math.hypot(mean.dx, mean.dy).toFixed(3)} px (`) && said(host).endsWith(` at ${mean.x.toFixed(1)}, ${mean.y.toFixed(1)}`), true);
  });
}

/// Every point of every curve that has its own place on the axis.
function hoverCurves(host, svg, section) {
  const axis = all(svg, ".axis")[0];
  const drawn = numbersIn(all(host, "path.series").map((path) => path.getAttribute("d")).find((d) => d).replace(/[ML,]/g, " "));
  const which = all(host, "path.series").findIndex((path) => path.getAttribute("d"));
  const points = section.series[which].points;
  const from = ((section.series[which].beyond || [])[0] || [])[0] === 0 ? section.series[which].beyond[0][1] : 0;
  const [v0, v1, x0, x1] = [points[from][0], points[from + 1][0], drawn[0], drawn[2]];
  const place = (v) => x0 + (v - v0) * (x1 - x0) / (v1 - v0);
  expect("an axis", axis !== undefined, true);
  for (const series of section.series) {
    series.points.forEach((point, i) => {
      const near = [series.points[i - 1], series.points[i + 1]].some((other) => other && Math.abs(place(other[0]) - place(point[0])) < 1);
      if (near) return;
      pointAt(svg, place(point[0]), 40);
      expect("hover of a curve", said(host).includes(`${series.name} ${point[1].toFixed(3)} ${section.y_unit}`), true);
      const beyond = (series.beyond || []).some(([first, last]) => i > first && i < last);
      if (beyond) expect("beyond the reach is said", said(host).includes("beyond the reach"), true);
    });
  }
}

/// On paper drawings are made for its width, and nothing is printed that only a pointer can use.
function judgePrint() {
  const drawings = all(document, "svg[data-plot]").filter((svg) => svg.dataset.plot !== "frame");
  const before = drawings.map((svg) => svg.viewBox.baseVal.width);
  window.dispatchEvent(new Event("beforeprint"));
  expect("drawings on paper", drawings.every((svg) => svg.viewBox.baseVal.width <= 640 && svg.viewBox.baseVal.height <= 226), true);
  window.dispatchEvent(new Event("afterprint"));
  expect("drawings after it", drawings.map((svg) => svg.viewBox.baseVal.width).join(), before.join());
  const rules = [...document.styleSheets].flatMap((sheet) => [...sheet.cssRules]).filter((rule) => rule.media?.mediaText === "print").flatMap((rule) => [...rule.cssRules]);
  const hidden = rules.filter((rule) => rule.style.display === "none").map((rule) => rule.selectorText).join(", ");
  for (const control of all(document, "input, output, nav, .wiping, .frames select")) expect("not printed", hidden !== "" && control.closest(hidden) !== null, true);
}

/// Whether each place lies in the band of its number, and lines of equal number run to the border.
/// A number within a hundredth of a border may lie on either side of it.
function judgeBands(svg, {steps, levels}, values, place, columns, bySize = false) {
  const bands = all(svg, ".band");
  expect("bands", bands.length, steps.length + 1);
  const wrong = [];
  values.forEach((v, i) => {
    const size = v === null ? null : bySize ? Math.abs(v) : v;
    if (size === null || steps.some((step) => Math.abs(size - step) < 0.01 * step)) return;
    const point = svg.createSVGPoint();
    [point.x, point.y] = place(i % columns, Math.floor(i / columns));
    // Inside of the border, where a band has its own edge.
    const view = svg.viewBox.baseVal;
    point.x += point.x < view.width / 2 ? 0.02 : -0.02;
    point.y += point.y < view.height / 2 ? 0.02 : -0.02;
    const last = bands.reduce((top, band, k) => band.isPointInFill(point) ? k : top, -1);
    if (last >= 0 && last !== steps.filter((step) => size >= step).length) wrong.push(`${v} in band ${last}`);
  });
  expect("places in another band", wrong.slice(0, 3).join("; "), "");
  expect("lines", all(svg, ".level-line").length <= levels.length, true);
}

const judges = {
  pictures(host, section) {
    const svg = host.querySelector("svg");
    const width = svg.viewBox.baseVal.width;
    expect("pictures", all(svg, "image").length, (section.before ? 1 : 0) + (section.after ? 1 : 0));
    expect("chart rows", strokes(svg, ".before .rows"), section.rows.length);
    for (const share of [0.25, 0.9]) {
      slide(host, "wipe", 1000 * share);
      const clip = Number(svg.querySelector("#clip-before rect").getAttribute("width"));
      expect(`wipe at ${share}`, Math.abs(clip / width - share) < 0.002, true);
      expect("handle", Math.abs(Number(svg.querySelector(".handle").getAttribute("x1")) - clip) < 0.01, true);
    }
    pointAt(svg, 0.4 * width, 10, "pointerdown", 1);
    expect("wipe by the pointer", host.querySelector("input[name=wipe]").value, "400");
  },
  vectors(host, section) {
    if (section.alone) {
      expect("stems", strokes(host, ".stem"), section.means.length);
      expect("dots", strokes(host, ".dots"), section.means.length);
      hoverMeans(host, section, numbersIn(host.querySelector(".dots").getAttribute("d").replace(/h0/g, " ").replace(/M/g, " ")));
      return;
    }
    const frames = report.frames.filter((frame) => frame.x);
    const count = (test) => frames.reduce((sum, f) => sum + f.x.filter((_, i) => test(f, i)).length, 0);
    expect("stems", strokes(host, ".stem"), count((f, i) => f.dx[i] !== null));
    expect("dots", strokes(host, ".dots"), count((f, i) => f.used && f.kept[i] === 1));
    expect("crosses", strokes(host, ".crosses"), count((f, i) => !f.used || f.kept[i] !== 1));
    expect("stated exaggeration", numbersIn(host.querySelector(".controls b").textContent)[0], section.exaggeration);
    const stem = () => numbersIn(host.querySelector(".stem").getAttribute("d").replace("l", " "));
    const before = stem();
    slide(host, "exaggeration", Math.log10(section.exaggeration) + Math.log10(2));
    const after = stem();
    expect("twice as long", Math.abs(Math.hypot(after[2], after[3]) - 2 * Math.hypot(before[2], before[3])) < 0.1, true);
    choose(host, "view", 2);
    expect("one frame", strokes(host, ".dots") + strokes(host, ".crosses"), frames[0].x.length);
    const svg = host.querySelector("svg");
    const scale = svg.viewBox.baseVal.width / report.plate.width;
    const i = Math.floor(frames[0].x.length / 2);
    pointAt(svg, frames[0].x[i] * scale, frames[0].y[i] * svg.viewBox.baseVal.height / report.plate.height);
    const length = Math.hypot(frames[0].dx[i], frames[0].dy[i]).toFixed(3);
    expect("hover names the frame", said(host).startsWith(frames[0].name + ": "), true);
    expect("hover figure", said(host).slice(frames[0].name.length + 2).split(" ")[0], length);
    choose(host, "view", 1);
    expect("means", strokes(host, ".mean .stem"), section.means.length);
    hoverMeans(host, section, numbersIn(host.querySelector(".mean .dots").getAttribute("d").replace(/h0/g, " ").replace(/M/g, " ")));
    choose(host, "view", 0);
  },
  coverage(host, section) {
    expect("cells", all(host, "svg .count, svg .hatched").length, section.columns * section.rows);
    expect("filled cells", all(host, "svg .count").length, section.points.filter((n) => n > 0).length);
    const svg = host.querySelector("svg");
    section.points.forEach((points, cell) => {
      pointAt(svg, (cell % section.columns + 0.5) / section.columns * svg.viewBox.baseVal.width,
              (Math.floor(cell / section.columns) + 0.5) / section.rows * svg.viewBox.baseVal.height);
      const found = numbersIn(said(host));
      expect("hover points", found[2], points);
      expect("hover frames", found[3], section.frames[cell]);
    });
  },
  field(host, section) {
    const svg = host.querySelector("[data-plot=field]");
    const {columns, rows, values} = section;
    const [width, height] = [svg.viewBox.baseVal.width, svg.viewBox.baseVal.height];
    expect("tones in the legend", all(host, ".controls rect.edge").length, section.steps.length + 1);
    judgeBands(svg, section, values, (column, row) => [column * width / (columns - 1), row * height / (rows - 1)], columns);
    for (let i = 0; i < values.length; i += 97) {
      const [column, row] = [i % columns, Math.floor(i / columns)];
      pointAt(svg, column / (columns - 1) * width, row / (rows - 1) * height);
      if (values[i] === null) expect("hover without figure", said(host).startsWith(section.none), true);
      else expect("hover figure", numbersIn(said(host))[0], Number(values[i].toPrecision(3)));
    }
  },
  curves(host, section) {
    expect("curves", all(host, "path.series").length, section.series.length);
    const beyond = (series) => (series.beyond || []);
    all(host, "path.series").forEach((path, i) => expect(
        "points of a curve within the reach", ((path.getAttribute("d") || "").match(/[ML]/g) || []).length, pointsWithin(section.series[i])));
    expect("pieces beyond the reach", strokes(host, "path.beyond"), section.series.reduce((sum, series) => sum + beyond(series).length, 0));
    const ends = section.series.flatMap((series) => beyond(series).flat().filter((at) => at > 0 && at < series.points.length - 1));
    expect("bars at the reach", all(host, "path.reach").length, ends.length);
    expect("the reach is named", all(host, "text.reach-name").length > 0, ends.length > 0);
    const names = all(host, "text.end-name");
    if (section.series.length > 1) {
      expect("names at the ends", names.map((name) => [...name.children].map((line) => line.textContent).join(" ")).sort().join("; "),
             section.series.map((series) => series.name).sort().join("; "));
    }
    const boxes = names.map((name) => name.getBBox());
    const view = host.querySelector("[data-plot=curves]").viewBox.baseVal;
    const outside = boxes.filter((box) => !(box.y >= 0 && box.y + box.height <= view.height && box.x + box.width <= view.width));
    expect("names outside of the plot", outside.map((box) => `${box.x} ${box.y} ${box.width} ${box.height} of ${view.width} ${view.height}`).join("; "), "");
    expect("the axis's label is whole", host.querySelector(".x-label").getBBox().x >= 0, true);
    expect("names apart", boxes.every((a, i) => boxes.every((b, k) => k <= i || a.y + a.height <= b.y + 2.5 || b.y + b.height <= a.y + 2.5)), true);
    const marks = new Set(all(host, "path.curve-mark").map((mark) => mark.getAttribute("d")));
    expect("looks told apart by marks", marks.size, section.series.length > 1 ? Math.min(7, section.series.length) : 1);
    const rings = all(host, "circle.ring");
    const stations = section.series.flatMap((series) => (series.stations || []).map((at) => [series, at]));
    expect("stations", rings.length, stations.length);
    stations.forEach(([series, at], i) => {
      const point = series.points.find((p) => Math.abs(p[0] - at[0]) < 1e-3);
      expect("a curve has a point at its station", point !== undefined && Math.abs(point[1] - at[1]) < 0.02, true);
    });
    const svg = host.querySelector("[data-plot=curves]");
    const last = section.series[0].points.at(-1);
    const drawn = all(host, "path.series")[0].getAttribute("d") + (all(host, "path.beyond.first")[0]?.getAttribute("d") || "");
    const end = numbersIn(drawn.replace(/[ML,]/g, " ")).slice(-2);
    hoverCurves(host, svg, section);
    pointAt(svg, end[0], end[1]);
    expect("hover figure", said(host).includes(`${section.series[0].name} ${last[1].toFixed(3)} ${section.y_unit}`), true);
  },
  grid(host, section) {
    expect("straight lines", all(host, ".straight").length, section.lines.length);
    expect("bent lines", all(host, ".bent-line").length, section.lines.length);
    expect("beyond the reach", strokes(host, ".bent.beyond"), section.lines.reduce((sum, line) => sum + line.beyond.length, 0));
    expect("the reach is named", all(host, ".reach-outline, .reach-name").length, section.reach ? 2 : 0);
    slide(host, "grid-exaggeration", 2);
    expect("stated", host.querySelector(".controls b").textContent, "2.0 times");
  },
  surface(host, section) {
    const [columns, rows] = [section.x.count, section.y.count];
    expect("stations", all(host, "circle.station").length, section.stations.length);
    const box = host.querySelector("[data-plot=surface] rect.edge").getBBox();
    const place = (column, row) => [box.x + column * box.width / (columns - 1), box.y + row * box.height / (rows - 1)];
    all(host, "circle.station").forEach((mark, i) => {
      const [x, y] = place(section.stations[i].column, section.stations[i].row);
      expect("where a station is", Math.hypot(mark.getAttribute("cx") - x, mark.getAttribute("cy") - y) < 0.1, true);
    });
    const names = all(host, ".tick-name").map((name) => name.textContent);
    for (const axis of [section.x, section.y]) {
      for (const tick of [axis.ticks[0], axis.ticks.at(-1)]) expect("a tick at the outermost stations", names.includes(tick.label), true);
    }
    for (const [i, quantity] of section.quantities.entries()) {
      choose(host, "quantity", i);
      const known = quantity.values.map((v, k) => section.surrounded[k] ? v : null);
      const svg = host.querySelector("[data-plot=surface]");
      if (quantity.same === null) judgeBands(svg, quantity, known, place, columns, quantity.by_size);
      const crosses = quantity.levels.includes(0) && known.some((v) => v !== null);
      expect("a thick line at 0", all(host, ".level-line.nought").length, crosses ? 1 : 0);
      expect("the same everywhere is said", host.textContent.includes("the same everywhere"), quantity.same !== null);
      known.forEach((v, k) => {
        pointAt(svg, ...place(k % columns, Math.floor(k / columns)));
        expect("hover figure", said(host), `${section.states[k]}: ` + (v === null ? "not known, no stations around it" : `${Number(v.toPrecision(4))} ${quantity.unit}`));
      });
    }
    choose(host, "quantity", 0);
  },
  frames(host) {
    const drawn = report.frames.filter((frame) => frame.x);
    expect("cards", all(host, ".card").length, drawn.length);
    expect("rows", all(host, "tbody tr").length, report.frames.length - drawn.length);
    all(host, ".card").forEach((card, i) => expect("points of a card", strokes(card, ".dots, .crosses"), drawn[i].x.length));
    if (!drawn.length) return;
    choose(host, "sort", 1);
    const worst = drawn.reduce((a, b) => (b.rms_px ?? -1) > (a.rms_px ?? -1) ? b : a);
    expect("sorted", host.querySelector(".card h3").textContent, worst.name);
  },
  table(host, section) { expect("rows", all(host, "tbody tr").length, section.rows.length); },
  numbers(host, section) {
    expect("rows", all(host, "tr").length, section.groups.reduce((sum, group) => sum + group.rows.length, 0));
    const texts = all(host, "td").map((cell) => cell.textContent);
    for (const group of section.groups) for (const row of group.rows) expect(row[0], texts.includes(row[1]), true);
  },
  words() {},
};

function judge() {
  expect("sections", all(document, "section").length, report.sections.length);
  report.sections.forEach((section, i) => {
    const host = document.getElementById(`part-${i + 1}`);
    expect("heading", host.querySelector("h2").textContent, section.title);
    judges[section.kind](host, section);
  });
  judgePrint();
  expect("title", document.querySelector("h1").textContent, report.title);
  expect("figures", all(document, ".figures > div").length, report.figures.length);
  expect("warnings", all(document, ".warnings li").length, report.warnings.length);
  // Text of the data has not become elements or code.
  expect("scripts", document.scripts.length, 4);  // data, library, page, this one
  expect("pictures from elsewhere", all(document, "img, iframe, object, embed, link, base, form").length, 0);
  expect("nothing of the data ran", window.hostile, undefined);
  expect("as wide as the window", document.documentElement.scrollWidth <= window.innerWidth, true);
}

try {
  judge();
} catch (error) {
  failures.push(`stopped: ${error.stack}`);
}
const verdict = document.createElement("pre");
verdict.id = "verdict";
verdict.textContent = JSON.stringify({checks, failures, kinds: report.sections.map((s) => s.kind)});
document.body.append(verdict);
