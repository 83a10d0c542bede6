// Bit waveforms of an overlap: one row for each driver, the last one for the line itself.
import { button, make, svg, taskRow } from "../base/dom.js";
/** @import { Explained } from "../base/messages.js" */

const LABEL = 130;
const ROW = 40;
const HIGH = 8;
const LOW = 28;
const WIDTH = 900;
const MOST_ZOOM = 32;
const MOST_NAME = 19;

/** @typedef {(us: number) => string} Across where a moment stands */
/** @typedef {{ source: string, edges: number[], kind: string }} Row */

/**
 * @param {number[]} edges us
 * @param {number} end us
 * @param {Across} x
 */
function path(edges, end, x) {
  let level = 1;
  let text = `M${x(0)} ${HIGH}`;
  for (const edge of edges) {
    if (edge > end) break;
    level = 1 - level;
    text += `H${x(edge)}V${level ? HIGH : LOW}`;
  }
  return `${text}H${x(end)}`;
}

/**
 * @param {Explained} body
 * @returns {Row[]}
 */
function rowsOf(body) {
  const drivers = body.pieces.flatMap(({ source, edges_us: edges }) =>
    edges ? [{ source, edges, kind: "driver" }] : [],
  );
  return body.line_us ? [...drivers, { source: "the line", edges: body.line_us, kind: "line" }] : drivers;
}

/**
 * @param {Row} row
 * @param {number} number
 * @param {number} end us
 * @param {Across} x
 */
function drawnRow({ source, edges, kind }, number, end, x) {
  const name = source.length > MOST_NAME ? `${source.slice(0, MOST_NAME - 1)}…` : source;
  return svg(
    "g",
    { transform: `translate(0 ${number * ROW})` },
    svg("path", { d: path(edges, end, x), class: `level ${kind}` }),
    svg("rect", { x: 0, y: 0, width: LABEL - 4, height: ROW, class: "label-back" }),
    svg("text", { x: 4, y: 22, class: "label" }, name),
  );
}

/**
 * @param {number} end us
 * @param {number} zoom
 * @param {number} height
 * @param {Across} x
 */
function timeMarks(end, zoom, height, x) {
  const step = 10 ** Math.ceil(Math.log10(end / zoom / 12));
  const marks = [];
  for (let us = 0; us <= end; us += step) {
    marks.push(svg("line", { x1: x(us), x2: x(us), y1: 0, y2: height - 18, class: "grid" }));
    marks.push(svg("text", { x: x(us), y: height - 5, class: "tick middle" }, `${us} µs`));
  }
  return marks;
}

/** @param {Explained} body */
function spoken(body) {
  const parts = body.pieces.map(({ source, start_us: from, end_us: to }) => {
    return `${source} drives from ${from.toFixed(0)} to ${to.toFixed(0)} microseconds`;
  });
  return parts.join("; ");
}

/**
 * @param {Explained} body
 * @param {number} zoom
 */
function picture(body, zoom) {
  const rows = rowsOf(body);
  const end = Math.max(...body.pieces.map((piece) => piece.end_us), 1);
  const width = WIDTH * zoom;
  const height = ROW * rows.length + 24;
  const x = (/** @type {number} */ us) => (LABEL + (us / end) * (width - LABEL - 10)).toFixed(2);
  const size = { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": spoken(body) };
  const drawn = rows.map((row, number) => drawnRow(row, number, end, x));
  return svg("svg", size, ...timeMarks(end, zoom, height, x), ...drawn);
}

/**
 * Buttons that zoom what a box shows, about its middle.
 * @param {HTMLElement} holder
 * @param {number} most
 * @param {(zoom: number) => void} draw
 */
export function zoomButtons(holder, most, draw) {
  let zoom = 1;
  const change = (/** @type {number} */ factor) => () => {
    const middle = (holder.scrollLeft + holder.clientWidth / 2) / holder.scrollWidth;
    zoom = Math.min(most, Math.max(1, zoom * factor));
    draw(zoom);
    holder.scrollLeft = middle * holder.scrollWidth - holder.clientWidth / 2;
  };
  const small = { class: "small-button" };
  return [button("Zoom in", change(2), small), button("Zoom out", change(0.5), small)];
}

/** @param {Explained} body */
export function waveform(body) {
  const holder = make("div", { class: "wave", tabindex: 0, "aria-label": "Waveform; scrolls sideways" });
  const draw = (/** @type {number} */ zoom) => holder.replaceChildren(picture(body, zoom));
  draw(1);
  const note = make("span", { class: "small" }, "High is idle. Bits begin with a low start bit.");
  return make("div", { class: "wave-box" }, taskRow(...zoomButtons(holder, MOST_ZOOM, draw), note), holder);
}
