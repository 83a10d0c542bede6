// What a scene of a lesson is made of, as elements: paragraphs, waves bit by bit, tables, plots.
import { make, svg } from "./dom.js";

const RULER = 20, ROW = 38, HIGH = 8, LOW = 29;
const LEAST_BIT = 8, WIDEST_BIT = 40;
const HEX = /^([0-9a-f]{2} )+[0-9a-f]{2}( \.\.\.)?$/;
const BITS = /^[01]{4}[01 ]*$/;
const SHORT_CHARS = 10;
const MARGIN = { left: 44, right: 62, top: 26, bottom: 34 }, PLOT_HEIGHT = 270;

/** Draws anew whenever the box becomes wider or narrower. */
export function fitted(box, draw) {
  let width = 0;
  new ResizeObserver(() => {
    const now = Math.floor(box.clientWidth);
    if (now && now !== width) draw(width = now);
  }).observe(box);
  return { again: () => width && draw(width) };
}

export function paragraphs(texts) {
  const made = [];
  for (const text of texts) {
    if (text.startsWith("- ")) {
      if (made.at(-1)?.tagName !== "UL") made.push(make("ul", { class: "lesson-points" }));
      made.at(-1).append(make("li", {}, text.slice(2)));
    } else made.push(make("p", HEX.test(text) ? { class: "lesson-hex" } : {}, text));
  }
  return made;
}

const kindOf = (text) => (HEX.test(text) ? "lesson-hex" : BITS.test(text) ? "lesson-bits" : text.length <= SHORT_CHARS ? "lesson-short" : null);
const cell = (tag, text, more = {}) => make(tag, { ...more, class: kindOf(text) }, text);
export function table({ heads, rows }, isNew = () => false) {
  const head = heads.some(Boolean) ? make("thead", {}, make("tr", {}, ...heads.map((text) => (text ? make("th", { scope: "col" }, text) : make("td"))))) : null;
  const body = rows.map((row) => make("tr", { class: isNew(row) ? "lesson-new" : null }, cell("th", row[0], { scope: "row" }), ...row.slice(1).map((text) => cell("td", text))));
  return make("div", { class: "scroll lesson-table" }, make("table", {}, head, make("tbody", {}, ...body)));
}

// --- waves ------------------------------------------------------------------------------------------------------

const isLow = (edges, moment) => edges.filter((edge) => edge <= moment).length % 2 === 1;

function wavePath(edges, from, to, x) {
  let low = isLow(edges, from);
  let text = `M${x(from)} ${low ? LOW : HIGH}`;
  for (const edge of edges) {
    if (edge <= from) continue;
    if (edge >= to) break;
    low = !low;
    text += `H${x(edge)}V${low ? LOW : HIGH}`;
  }
  return `${text}H${x(to)}`;
}

/** Stretches in which one lets the line be high and the line is low all the same: another one pulls. */
function overruled(edges, line, from, to) {
  const found = [];
  const moments = [...new Set([from, ...edges, ...line, to])].filter((at) => at >= from && at <= to).sort((a, b) => a - b);
  for (let at = 0; at + 1 < moments.length; at += 1) {
    const [begin, end] = [moments[at], moments[at + 1]];
    if (isLow(edges, begin) || !isLow(line, begin)) continue;
    if (found.at(-1)?.[1] === begin) found.at(-1)[1] = end;
    else found.push([begin, end]);
  }
  return found;
}

export function scope(body) {
  const { from_ns: from, bits, bit_ns: bit, ruler, waves } = body;
  const to = from + bits * bit;
  const line = waves.find((wave) => wave.name === "the line");
  const pulled = waves.map((wave) => (line && wave !== line ? overruled(wave.edges, line.edges, from, to) : []));
  const anyPulled = pulled.some((one) => one.length);
  const top = ruler ? RULER : 0;
  const holder = make("div", { class: "lesson-wave", tabindex: 0, role: "group", "aria-label": "Waves; they scroll sideways where they are wide" });
  const names = make("div", { class: "lesson-names", "aria-hidden": "true" }, ruler ? make("span", { class: "lesson-ruler-name" }, "bit") : null,
    ...waves.map((wave) => make("span", { class: "lesson-wave-name" }, make("b", {}, wave.name), make("span", { class: "lesson-levels" }, make("i", {}, "1"), make("i", {}, "0")))));
  const levels = (edges) => Array.from({ length: bits }, (_, at) => (isLow(edges, from + (at + 0.5) * bit) ? "0" : "1")).join("");
  const label = waves.map((wave) => `${wave.name}: ${levels(wave.edges)}`).join("; ");
  let zoom = 1;
  const drawing = fitted(holder, (width) => {
    const wide = Math.min(WIDEST_BIT, Math.max(LEAST_BIT, width / bits)) * zoom;
    const x = (ns) => (((ns - from) / bit) * wide).toFixed(2);
    const size = { width: Math.ceil(bits * wide), height: top + ROW * waves.length };
    const picture = svg("svg", { ...size, viewBox: `0 0 ${size.width} ${size.height}`, role: "img", "aria-label": label });
    for (let at = 0; at < bits; at += 1) {
      const letter = ruler[at] ?? " ";
      const left = at * wide;
      if (letter === "s" || letter === "p") picture.append(svg("rect", { x: left, y: 0, width: wide, height: size.height, class: "lesson-frame-bit" }));
      picture.append(svg("line", { x1: left, x2: left, y1: letter === "s" ? 0 : top, y2: size.height, class: letter === "s" ? "lesson-byte" : "grid" }));
      if (letter !== " ") picture.append(svg("text", { x: left + wide / 2, y: 14, class: "lesson-letter" }, letter));
    }
    waves.forEach((wave, number) => {
      const row = svg("g", { transform: `translate(0 ${top + number * ROW})` });
      for (const [begin, end] of pulled[number]) row.append(svg("rect", { x: x(begin), y: HIGH - 3, width: Math.max(1, x(end) - x(begin)), height: LOW - HIGH + 6, class: "lesson-pulled" }));
      row.append(svg("path", { d: wavePath(wave.edges, from, to, x), class: `level ${wave === line ? "line" : "driver"}` }));
      picture.append(row);
    });
    holder.replaceChildren(picture);
  });
  const change = (factor) => () => {
    const middle = (holder.scrollLeft + holder.clientWidth / 2) / holder.scrollWidth;
    zoom = Math.min(8, Math.max(1, zoom * factor));
    drawing.again();
    holder.scrollLeft = middle * holder.scrollWidth - holder.clientWidth / 2;
  };
  return make("figure", { class: "lesson-scope" }, make("div", { class: "lesson-scope-box" }, names, holder),
    make("figcaption", {}, make("div", { class: "task-row" }, make("button", { type: "button", class: "small-button", onclick: change(2) }, "Zoom in"), make("button", { type: "button", class: "small-button", onclick: change(0.5) }, "Zoom out")),
      make("p", { class: "small" }, `High is 1, low is 0; an idle line is high.${ruler ? " s: start bit, 0 to 7: data bits, low one first, p: stop bit." : ""}`),
      anyPulled ? make("p", { class: "small" }, make("span", { class: "lesson-pulled-key" }), " here it lets the line be high, but another one pulls it low.") : null));
}

// --- plots ------------------------------------------------------------------------------------------------------

/** Round values over a range, at most so many. */
export function ticks(low, high, most) {
  const rough = (high - low || 1) / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((one) => one * power).find((one) => one >= rough);
  const found = [];
  for (let at = Math.ceil(low / step - 1e-9); at * step <= high + 1e-9 * step; at += 1) found.push(Number((at * step).toPrecision(12)));
  return found;
}

/** Heights that keep a distance from one another, none below the lowest that may be. */
function apart(wanted, least, lowest) {
  const order = wanted.map((y, at) => [y, at]).sort((a, b) => a[0] - b[0]);
  for (let at = 1; at < order.length; at += 1) order[at][0] = Math.max(order[at][0], order[at - 1][0] + least);
  let limit = lowest;
  for (const one of [...order].reverse()) limit = (one[0] = Math.min(one[0], limit)) - least;
  const found = [];
  for (const [y, at] of order) found[at] = y;
  return found;
}

const nearest = (points, x) => points.reduce((best, one) => (Math.abs(one[0] - x) < Math.abs(best[0] - x) ? one : best));

export function plot(body) {
  const points = body.curves.flatMap((curve) => curve.points);
  const xs = points.map(([x]) => x), ys = points.map(([, y]) => y);
  const [left, right] = [Math.min(...xs), Math.max(...xs)];
  const grid = ticks(Math.min(...ys), Math.max(...ys), 6);
  const step = grid.length > 1 ? grid[1] - grid[0] : 1;
  const bottom = grid[0] - (Math.min(...ys) < grid[0] ? step : 0), top = grid.at(-1) + (Math.max(...ys) > grid.at(-1) ? step : 0);
  const marks = [...body.marks].sort((a, b) => a[0] - b[0]);
  const holder = make("div", { class: "lesson-plot" });
  const moments = [...new Set(body.curves[0].points.map(([x]) => x))].sort((a, b) => a - b);
  const told = (x) => `${x.toFixed(x < 100 ? 1 : 0)} ${body.unit_x}: ${body.curves.map((curve) => `${curve.name} ${nearest(curve.points, x)[1].toFixed(1)}`).join(", ")} ${body.unit_y}`;
  const read = make("span", { class: "lesson-read" });
  const slider = make("input", { type: "range", min: 0, max: moments.length - 1, value: Math.floor(moments.length / 3), "aria-label": `Read the curves, ${body.unit_x}` });
  const hair = svg("line", { class: "lesson-hair", y1: MARGIN.top, y2: PLOT_HEIGHT - MARGIN.bottom });
  let x = () => 0;
  const look = () => {
    const at = moments[Number(slider.value)];
    const text = told(at);
    slider.setAttribute("aria-valuetext", text);
    read.textContent = text;
    hair.setAttribute("x1", x(at));
    hair.setAttribute("x2", x(at));
  };
  fitted(holder, (width) => {
    x = (value) => MARGIN.left + ((value - left) / (right - left || 1)) * (width - MARGIN.left - MARGIN.right);
    const y = (value) => MARGIN.top + ((top - value) / (top - bottom || 1)) * (PLOT_HEIGHT - MARGIN.top - MARGIN.bottom);
    const ends = body.curves.map((curve) => curve.points.at(-1)[1]);
    const label = body.curves.map((curve, at) => `${curve.name} from ${curve.points[0][1].toFixed(1)} to ${ends[at].toFixed(1)} ${body.unit_y}`).join("; ");
    const picture = svg("svg", { width, height: PLOT_HEIGHT, viewBox: `0 0 ${width} ${PLOT_HEIGHT}`, role: "img", "aria-label": label });
    for (const value of ticks(bottom, top, 6)) picture.append(svg("line", { x1: MARGIN.left, x2: width - MARGIN.right, y1: y(value), y2: y(value), class: "grid" }), svg("text", { x: MARGIN.left - 6, y: y(value) + 4, class: "tick end" }, value));
    for (const value of ticks(left, right, width < 420 ? 4 : 8)) picture.append(svg("line", { x1: x(value), x2: x(value), y1: y(bottom), y2: y(bottom) + 4, class: "grid" }), svg("text", { x: x(value), y: PLOT_HEIGHT - MARGIN.bottom + 17, class: "tick middle" }, value));
    picture.append(svg("text", { x: 2, y: 12, class: "tick" }, body.unit_y), svg("text", { x: width - MARGIN.right, y: PLOT_HEIGHT - 4, class: "tick end" }, body.unit_x));
    let last = -Infinity;
    let lower = 0;
    marks.forEach(([at], number) => {
      lower = x(at) - last < 16 ? (lower + 1) % 2 : 0;
      last = x(at);
      picture.append(svg("line", { x1: x(at), x2: x(at), y1: MARGIN.top - 2 + 14 * lower, y2: y(bottom), class: "lesson-mark" }), svg("text", { x: x(at) + (lower ? 4 : 0), y: MARGIN.top - 6 + 14 * lower, class: lower ? "tick" : "tick middle" }, number + 1));
    });
    const heights = apart(ends.map(y), 14, y(bottom) - 4);
    body.curves.forEach((curve, number) => picture.append(
      svg("polyline", { points: curve.points.map(([at, value]) => `${x(at).toFixed(1)},${y(value).toFixed(1)}`).join(" "), class: `lesson-curve c${number % 3}` }),
      svg("text", { x: width - MARGIN.right + 6, y: heights[number] + 4, class: `lesson-curve-name c${number % 3}` }, curve.name)));
    picture.append(hair);
    holder.replaceChildren(picture);
    look();
  });
  slider.oninput = look;
  return make("figure", {}, holder, make("figcaption", {}, make("div", { class: "lesson-reader" }, slider, read),
    marks.length ? make("ol", { class: "lesson-marks" }, ...marks.map(([at, text]) => make("li", {}, `at ${at.toFixed(0)} ${body.unit_x}: ${text}`))) : null));
}
