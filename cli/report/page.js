// Builds the page from its data. Everything from the data goes in as text nodes or numbers, never as
// markup, so that no name or note can become a part of the page.
"use strict";

const report = JSON.parse(document.getElementById("data").textContent);
const sectionKinds = {};  // kind -> function(host, section); filled by the other scripts

/// An element with a class and children; strings become text.
function make(tag, className, ...children) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

/// Words that come from files: set apart, so that their writing direction stays their own.
function given(text) {
  const node = make("bdi", "given", text);
  node.dir = "auto";
  return node;
}

function fixed(value, digits) {
  return value === null || value === undefined ? "-" : value.toFixed(digits);
}

const signs = {  // what each level looks like without colour
  good: "M6 25 L18 37 L42 9",
  care: "M24 5 L44 42 L4 42 Z M24 17 L24 29 M24 35 L24 36",
  doubt: "M8 8 L40 40 M40 8 L8 40",
  open: "M8 24 a16 16 0 1 0 32 0 a16 16 0 1 0 -32 0",
};

const levelWords = {good: "Good", care: "With care", doubt: "Doubtful", open: "Not judged"};

function verdictBox(verdict) {
  const sign = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  sign.setAttribute("viewBox", "0 0 48 48");
  sign.setAttribute("class", "sign");
  sign.setAttribute("aria-hidden", "true");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", signs[verdict.level] || signs.open);
  sign.append(path);
  const word = levelWords[verdict.level] || levelWords.open;
  const words = make("div", "", verdict.headline.startsWith(word) ? null : make("p", "level", word),
                     make("h2", "", verdict.headline));
  for (const line of verdict.lines) words.append(make("p", "", line));
  return make("div", "verdict " + verdict.level, sign, words);
}

function figureStrip(figures) {
  const list = make("dl", "figures");
  for (const figure of figures) {
    const value = make("dd", figure.text.length > 11 ? "long" : "", figure.text);
    if (figure.note) value.append(make("small", "", figure.note));
    list.append(make("div", "", make("dt", "", figure.label), value));
  }
  return list;
}

function warningList(warnings) {
  const list = make("ul", "warnings");
  for (const warning of warnings) {
    list.append(make("li", "", make("b", "", "\u25b2 Warning: "), given(warning.message), " ",
                     make("code", "", warning.code)));
  }
  return list;
}

function tableOf(columns, rows) {
  const head = make("tr");
  for (const column of columns) head.append(make("th", column.number ? "number" : "", column.label));
  const body = make("tbody");
  for (const row of rows) {
    const line = make("tr", row.chosen ? "chosen" : "");
    row.cells.forEach((cell, i) => {
      line.append(make("td", columns[i].number ? "number" : "", cell === null ? "-" : given(cell)));
    });
    body.append(line);
  }
  return scrolling(make("table", "", make("thead", "", head), body));
}

/// A table that scrolls sideways where the page is narrow, and then says so.
function scrolling(table) {
  const host = make("div", "scroll", table);
  new ResizeObserver(() => host.classList.toggle("wide", host.scrollWidth > host.clientWidth + 1)).observe(host);
  return host;
}

sectionKinds.table = (host, section) => {
  const most = section.fold && section.rows.length > section.fold + 5 ? section.fold : section.rows.length;
  host.append(tableOf(section.columns, section.rows.slice(0, most)));
  const rest = section.rows.slice(most);
  if (rest.length) host.append(make("details", "", make("summary", "", `${rest.length} more`), tableOf(section.columns, rest)));
};

sectionKinds.numbers = (host, section) => {
  const groups = make("div", "groups");
  for (const group of section.groups) {
    const body = make("tbody");
    for (const [label, content] of group.rows) {
      body.append(make("tr", label === "" ? "goes-on" : "", make("td", "", label), make("td", "", given(content))));
    }
    const part = make("div", "");
    if (group.heading) part.append(make("h3", "", group.heading));
    part.append(scrolling(make("table", "", body)));
    groups.append(part);
  }
  host.append(groups);
};

sectionKinds.words = () => {};

function build() {
  const body = document.body;
  body.append(make("header", "", make("p", "eyebrow", report.eyebrow),
                   make("h1", "", given(report.title))));
  body.append(verdictBox(report.verdict), figureStrip(report.figures));
  if (report.warnings.length) body.append(warningList(report.warnings));
  const links = make("nav");
  body.append(links);
  report.sections.forEach((section, i) => {
    const host = make("section", ["frames", "numbers", "table"].includes(section.kind) ? "long" : "");
    host.id = "part-" + (i + 1);
    host.append(make("h2", "", section.title));
    for (const words of section.words || []) host.append(make("p", "", given(words)));
    const link = make("a", "", section.title);
    link.href = "#" + host.id;
    links.append(link, " ");
    body.append(host);  // in the page before it is drawn: plots ask how wide they are
    sectionKinds[section.kind](host, section);
  });
  body.append(make("footer", "", make("p", "", report.footer)));
}
