// Every frame with its points. The last script: it builds the page.

sectionKinds.frames = (host, section) => {
  const cards = make("div", "cards");
  host.append(cards);
  const drawn = report.frames.filter((frame) => frame.x);
  const others = report.frames.filter((frame) => !frame.x);
  const order = drawn.map((_, i) => i);
  const sorting = choice("sort by", ["order of the footage", "largest rms first"], "sort");
  host.insertBefore(make("div", "controls unprinted", sorting.label), cards);
  const nodes = drawn.map((frame) => frameCard(frame));
  const arrange = () => {
    const sorted = order.slice();
    if (sorting.select.value === "1") {
      sorted.sort((a, b) => (drawn[b].rms_px ?? -1) - (drawn[a].rms_px ?? -1) || a - b);
    }
    cards.append(...sorted.map((i) => nodes[i]));
  };
  sorting.select.addEventListener("change", arrange);
  arrange();
  if (!drawn.length) host.querySelector(".controls").remove();
  if (others.length) {
    const list = tableOf([{label: "frame"}, {label: "points", number: true}, {label: "rms px", number: true}, {label: "used"}],
                         others.map((f) => ({cells: [f.name, String(f.points), fixed(f.rms_px, 3), f.used ? "\u25cf used" : `\u2715 ${f.reason}`]})));
    const more = make("details", "", make("summary", "", `${others.length} more without drawing`), list);
    more.open = others.length <= 12;
    host.append(drawn.length ? more : list);
  }
};

function frameCard(frame) {
  const card = make("div", frame.used ? "card" : "card unused");
  const height = plateSize.height / (plateSize.width * plateSize.pixel_aspect) * 200;
  const svg = d3.select(card).append("svg").attr("data-plot", "frame").attr("viewBox", `0 0 200 ${height.toFixed(2)}`)
      .attr("role", "img").attr("aria-label", "where its points were seen");
  const [sx, sy] = [200 / plateSize.width, height / plateSize.height];
  let dots = "", crosses = "";
  frame.x.forEach((x, i) => {
    const [px, py] = [x * sx, frame.y[i] * sy];
    if (frame.kept[i] === 1 && frame.used) dots += `M${px.toFixed(1)} ${py.toFixed(1)}h0`;
    else crosses += `M${(px - 2).toFixed(1)} ${(py - 2).toFixed(1)}l4 4m0 -4l-4 4`;
  });
  svg.append("path").attr("class", "dots").attr("d", dots);
  svg.append("path").attr("class", "crosses").attr("d", crosses);
  svg.append("rect").attr("class", "edge").attr("width", 200).attr("height", height);
  card.append(make("h3", "", given(frame.name)));
  card.append(make("p", "", frame.used ? "\u25cf used" : "\u2715 not used"));
  if (frame.reason) card.append(make("p", "", given(frame.reason)));
  const kept = frame.used && frame.left_out > 0 ? ` (${frame.left_out} left out)` : "";
  card.append(make("p", "", `${frame.points} points${kept}`));
  if (frame.rms_px !== null) {
    card.append(make("p", "", `rms ${frame.rms_px.toFixed(3)} px` + (frame.max_px !== null ? `, largest ${frame.max_px.toFixed(3)} px` : "")));
  }
  if (frame.tilt_deg !== null) card.append(make("p", "soft", `tilted ${frame.tilt_deg.toFixed(0)} deg`));
  return card;
}

build();
