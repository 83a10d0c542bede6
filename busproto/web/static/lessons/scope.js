// Waves of a lesson bit by bit: one row for each driver and one for the line, with the bits numbered above.
import { zoomButtons } from "../bench/wave.js";
import { make, svg, taskRow } from "../base/dom.js";
import { fitted } from "./scene.js";
/** @import { LessonScope, LessonWave } from "../base/messages.js" */

const RULER = 20;
const ROW = 38;
const HIGH = 8;
const LOW = 29;
const LEAST_BIT = 8;
const WIDEST_BIT = 40;
const MOST_ZOOM = 8;
const RULER_TEXT = " s: start bit, 0 to 7: data bits, low one first, p: stop bit.";

/** @typedef {(ns: number) => string} Across where a moment stands */
/** @typedef {[number, number]} Stretch ns */
/**
 * The drawing and its widths.
 * @typedef {object} Sheet
 * @property {LessonScope} body
 * @property {Stretch[][]} pulled
 * @property {number} wide of a bit
 * @property {number} top
 * @property {number} width
 * @property {number} height
 * @property {Across} x
 */

/**
 * @param {number[]} edges
 * @param {number} moment
 */
const isLow = (edges, moment) => edges.filter((edge) => edge <= moment).length % 2 === 1;
/** @param {LessonScope} body */
const endOf = ({ from_ns: from, bits, bit_ns: bit }) => from + bits * bit;
/** @param {LessonScope} body */
const lineOf = ({ waves }) => waves.find((wave) => wave.name === "the line");

/**
 * @param {number[]} edges
 * @param {Stretch} stretch
 * @param {Across} x
 */
function wavePath(edges, [from, to], x) {
  let low = isLow(edges, from);
  let text = `M${x(from)} ${low ? LOW : HIGH}`;
  for (const edge of edges.filter((one) => one > from && one < to)) {
    low = !low;
    text += `H${x(edge)}V${low ? LOW : HIGH}`;
  }
  return `${text}H${x(to)}`;
}

/**
 * Stretches in which a driver does not pull and the line is low: another driver pulls.
 * @param {number[]} edges
 * @param {number[]} line
 * @param {Stretch} stretch
 */
function overruled(edges, line, [from, to]) {
  /** @type {Stretch[]} */
  const found = [];
  const all = [...new Set([from, ...edges, ...line, to])];
  const moments = all.filter((at) => at >= from && at <= to).sort((a, b) => a - b);
  for (const [at, begin] of moments.slice(0, -1).entries()) {
    if (isLow(edges, begin) || !isLow(line, begin)) continue;
    const last = found.at(-1);
    if (last?.[1] === begin) last[1] = moments[at + 1];
    else found.push([begin, moments[at + 1]]);
  }
  return found;
}

/**
 * @param {LessonScope} body
 * @returns {Stretch[][]} by wave
 */
function pulledIn(body) {
  const line = lineOf(body);
  return body.waves.map((wave) => {
    return line && wave !== line ? overruled(wave.edges, line.edges, [body.from_ns, endOf(body)]) : [];
  });
}

/**
 * The bit at a place: start and stop bits are shaded, and a line marks the begin of a byte.
 * @param {Sheet} sheet
 * @param {number} at
 */
function bitMarks({ body, wide, top, height }, at) {
  const letter = body.ruler[at] ?? " ";
  const left = at * wide;
  const frame = { x: left, y: 0, width: wide, height, class: "lesson-frame-bit" };
  const begins = letter === "s";
  const edge = { x1: left, x2: left, y1: begins ? 0 : top, y2: height, class: begins ? "lesson-byte" : "grid" };
  return [
    begins || letter === "p" ? svg("rect", frame) : null,
    svg("line", edge),
    letter === " " ? null : svg("text", { x: left + wide / 2, y: 14, class: "lesson-letter" }, letter),
  ];
}

/**
 * @param {Sheet} sheet
 * @param {LessonWave} wave
 * @param {number} number
 */
function waveRow({ body, pulled, top, x }, wave, number) {
  const row = svg("g", { transform: `translate(0 ${top + number * ROW})` });
  for (const [begin, end] of pulled[number]) {
    const width = Math.max(1, Number(x(end)) - Number(x(begin)));
    row.append(svg("rect", { x: x(begin), y: HIGH - 3, width, height: LOW - HIGH + 6, class: "lesson-pulled" }));
  }
  const kind = wave === lineOf(body) ? "line" : "driver";
  row.append(svg("path", { d: wavePath(wave.edges, [body.from_ns, endOf(body)], x), class: `level ${kind}` }));
  return row;
}

/** @param {LessonScope} body */
function spoken({ waves, from_ns: from, bits, bit_ns: bit }) {
  const levels = (/** @type {number[]} */ edges) =>
    Array.from({ length: bits }, (_, at) => (isLow(edges, from + (at + 0.5) * bit) ? "0" : "1")).join("");
  return waves.map((wave) => `${wave.name}: ${levels(wave.edges)}`).join("; ");
}

/**
 * @param {LessonScope} body
 * @param {Stretch[][]} pulled
 * @param {number} width of the box
 * @param {number} zoom
 */
function picture(body, pulled, width, zoom) {
  const { from_ns: from, bits, bit_ns: bit, waves } = body;
  const wide = Math.min(WIDEST_BIT, Math.max(LEAST_BIT, width / bits)) * zoom;
  const top = body.ruler ? RULER : 0;
  const size = { width: Math.ceil(bits * wide), height: top + ROW * waves.length };
  const x = (/** @type {number} */ ns) => (((ns - from) / bit) * wide).toFixed(2);
  /** @type {Sheet} */
  const sheet = { body, pulled, wide, top, x, ...size };
  const marks = Array.from({ length: bits }, (_, at) => bitMarks(sheet, at)).flat();
  const rows = waves.map((wave, number) => waveRow(sheet, wave, number));
  const box = { ...size, viewBox: `0 0 ${size.width} ${size.height}`, role: "img", "aria-label": spoken(body) };
  return svg("svg", box, ...marks, ...rows);
}

/** @param {LessonScope} body */
function namesOf({ ruler, waves }) {
  const levels = () => make("span", { class: "lesson-levels" }, make("i", {}, "1"), make("i", {}, "0"));
  const names = waves.map(({ name }) => make("span", { class: "lesson-wave-name" }, make("b", {}, name), levels()));
  const bit = ruler ? make("span", { class: "lesson-ruler-name" }, "bit") : null;
  return make("div", { class: "lesson-names", "aria-hidden": "true" }, bit, ...names);
}

/** @param {LessonScope} body */
export function scope(body) {
  const pulled = pulledIn(body);
  const label = "Waves; they scroll sideways where they are wide";
  const holder = make("div", { class: "lesson-wave", tabindex: 0, role: "group", "aria-label": label });
  let zoom = 1;
  const drawing = fitted(holder, (width) => holder.replaceChildren(picture(body, pulled, width, zoom)));
  const buttons = zoomButtons(holder, MOST_ZOOM, (wanted) => {
    zoom = wanted;
    drawing.again();
  });
  const note = `High is 1, low is 0; an idle line is high.${body.ruler ? RULER_TEXT : ""}`;
  const key = make("span", { class: "lesson-pulled-key" });
  const pulls = make("p", { class: "small" }, key, " here it lets the line be high, but another one pulls it low.");
  const anyPulled = pulled.some((one) => one.length);
  const caption = make("figcaption", {}, taskRow(...buttons), make("p", { class: "small" }, note));
  if (anyPulled) caption.append(pulls);
  const box = make("div", { class: "lesson-scope-box" }, namesOf(body), holder);
  return make("figure", { class: "lesson-scope" }, box, caption);
}
