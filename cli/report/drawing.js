// What all plots share; they are drawn with d3. Positions on the plate are plate pixels: origin at the
// top-left corner of the display window, x right, y down.

const plateSize = report.plate || {width: 1, height: 1, pixel_aspect: 1};
const wholePlate = {x0: 0, y0: 0, x1: plateSize.width, y1: plateSize.height};

// On paper drawings are made for its width, lest a wide window's be shrunk until their words cannot
// be read.
const paperWidth = 640, paperHeight = 225;
let onPaper = false;
const renders = [];
for (const [event, value] of [["beforeprint", true], ["afterprint", false]]) {
  window.addEventListener(event, () => {
    onPaper = value;
    for (const render of renders) render();
  });
}
/// No higher than this.
const lowered = (height) => onPaper ? Math.min(height, paperHeight) : height;

/// A drawing that is made anew whenever its width changes. `draw(svg, width)` returns the height.
function drawing(host, name, words, draw) {
  const svg = d3.select(host).append("svg")
      .attr("data-plot", name).attr("role", "img").attr("aria-label", words);
  let drawn = 0;
  const render = () => {
    const width = onPaper ? paperWidth : Math.max(260, Math.floor(host.clientWidth - 2 * parseFloat(getComputedStyle(host).paddingLeft)));
    drawn = width;
    svg.selectAll("*").remove();
    const size = draw(svg, width);
    svg.attr("viewBox", `0 0 ${size.width} ${size.height}`).attr("width", size.width).attr("height", size.height);
  };
  render();
  renders.push(render);
  new ResizeObserver(() => {
    if (onPaper) return;
    if (Math.abs(host.clientWidth - 2 * parseFloat(getComputedStyle(host).paddingLeft) - drawn) > 1.5) render();
  }).observe(host);
  return {svg, render};
}

/// A drawing of the plate, or of `extent` of its plane; no higher than the window.
function plateDrawing(host, name, words, extent, draw) {
  return drawing(host, name, words, (svg, width) => {
    const across = (extent.x1 - extent.x0) * plateSize.pixel_aspect;
    const down = extent.y1 - extent.y0;
    const tallest = lowered(Math.max(300, 0.82 * window.innerHeight));
    const scale = Math.min(width / across, tallest / down);
    const place = {
      scale,
      x: (x) => (x - extent.x0) * plateSize.pixel_aspect * scale,
      y: (y) => (y - extent.y0) * scale,
      width: across * scale,
      height: down * scale,
    };
    draw(svg, place);
    return place;
  });
}

/// Where the pointer is, in the drawing's own units.
function pointer(svg, event) {
  const box = svg.node().getBoundingClientRect();
  const view = svg.node().viewBox.baseVal;
  return [(event.clientX - box.left) * view.width / box.width,
          (event.clientY - box.top) * view.height / box.height];
}

function readoutBelow(host, rest) {
  const node = make("output", "readout", rest);
  host.append(node);
  return {say: (text) => { node.textContent = text; }, rest: () => { node.textContent = rest; }};
}

function figureIn(host, caption) {
  const node = make("figure", "");
  host.append(node);
  node.finish = () => node.append(make("figcaption", "", caption));
  return node;
}

function range(words, from, to, step, value, name) {
  const input = make("input");
  Object.assign(input, {type: "range", min: from, max: to, step, value, name});
  const label = make("label", "", words, input);
  return {label, input};
}

function choice(words, options, name) {
  const select = make("select");
  select.name = name;
  options.forEach((text, i) => {
    const option = make("option", "", text);
    option.value = i;
    select.append(option);
  });
  return {label: make("label", "", words, select), select};
}

/// The pieces of a line that lie within the reach of what was measured, and those beyond it. `beyond`
/// lists the latter as [first, last].
function piecesOf(points, beyond) {
  const within = [];
  let from = 0;
  for (const [first, last] of beyond || []) {
    if (first > from) within.push(points.slice(from, first + 1));
    from = last;
  }
  if (from < points.length - 1) within.push(points.slice(from));
  return {within, beyond: (beyond || []).map(([first, last]) => points.slice(first, last + 1))};
}

const coordinate = (v) => v.toFixed(1);
const sides = (dx, dy, digits) => `${Math.abs(dx).toFixed(digits)} ${dx < 0 ? "left" : "right"}, ` +
    `${Math.abs(dy).toFixed(digits)} ${dy < 0 ? "up" : "down"}`;

/// Of ticks {at, label} those whose names have room: the first, the last, then the others in turn.
function roomyTicks(ticks, place, apart) {
  const kept = [];
  for (const tick of new Set([ticks[0], ticks.at(-1), ...ticks])) {
    if (kept.every((other) => Math.abs(place(tick) - place(other)) >= apart(tick, other))) kept.push(tick);
  }
  return kept;
}

function hatchPattern(svg, id) {
  const pattern = svg.append("defs").append("pattern").attr("id", id)
      .attr("width", 6).attr("height", 6).attr("patternUnits", "userSpaceOnUse");
  pattern.append("path").attr("class", "hatch").attr("d", "M-1 1l2-2M0 6l6-6M5 7l2-2");
}
