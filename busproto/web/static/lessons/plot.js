// Curves of a lesson over time, with a slider that reads them.
import { make, svg } from "../base/dom.js";
import { fitted } from "./scene.js";
/** @import { LessonPlot } from "../base/messages.js" */

const MARGIN = { left: 44, right: 62, top: 26, bottom: 34 };
const HEIGHT = 270;
const FLOOR = HEIGHT - MARGIN.bottom;
const NARROW = 420;

/** @typedef {{ left: number, right: number, top: number, bottom: number }} Range in the units of the curves */
/** @typedef {{ x: (value: number) => number, y: (value: number) => number, width: number }} Scale */

/**
 * Round values over a range, at most `most` of them.
 * @param {number} low
 * @param {number} high
 * @param {number} most
 */
export function ticks(low, high, most) {
  const rough = (high - low || 1) / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5].map((one) => one * power).find((one) => one >= rough) ?? 10 * power;
  const found = [];
  const last = high + 1e-9 * step;
  for (let at = Math.ceil(low / step - 1e-9); at * step <= last; at += 1) {
    found.push(Number((at * step).toPrecision(12)));
  }
  return found;
}

/**
 * Heights with a least distance from one another, none below the lowest allowed.
 * @param {number[]} wanted
 * @param {number} least
 * @param {number} lowest
 */
function apart(wanted, least, lowest) {
  const order = wanted.map((y, at) => ({ y, at })).sort((a, b) => a.y - b.y);
  let above = Number.NEGATIVE_INFINITY;
  for (const one of order) {
    one.y = Math.max(one.y, above + least);
    above = one.y;
  }
  let limit = lowest;
  for (const one of [...order].reverse()) {
    one.y = Math.min(one.y, limit);
    limit = one.y - least;
  }
  return order.sort((a, b) => a.at - b.at).map((one) => one.y);
}

/**
 * @param {[number, number][]} points
 * @param {number} x
 */
const nearest = (points, x) =>
  points.reduce((best, one) => (Math.abs(one[0] - x) < Math.abs(best[0] - x) ? one : best));
/** @param {[number, number][]} points */
const lastOf = (points) => points[points.length - 1][1];

/**
 * @param {LessonPlot} body
 * @returns {Range}
 */
function rangeOf(body) {
  const points = body.curves.flatMap((curve) => curve.points);
  const xs = points.map(([x]) => x);
  const ys = points.map(([, y]) => y);
  const [low, high] = [Math.min(...ys), Math.max(...ys)];
  const grid = ticks(low, high, 6);
  const step = grid.length > 1 ? grid[1] - grid[0] : 1;
  const last = grid[grid.length - 1];
  const [bottom, top] = [grid[0] - (low < grid[0] ? step : 0), last + (high > last ? step : 0)];
  return { left: Math.min(...xs), right: Math.max(...xs), bottom, top };
}

/**
 * @param {Range} range
 * @param {number} width
 * @returns {Scale}
 */
function scaleOf({ left, right, top, bottom }, width) {
  const [across, down] = [width - MARGIN.left - MARGIN.right, HEIGHT - MARGIN.top - MARGIN.bottom];
  return {
    width,
    x: (value) => MARGIN.left + ((value - left) / (right - left || 1)) * across,
    y: (value) => MARGIN.top + ((top - value) / (top - bottom || 1)) * down,
  };
}

/**
 * @param {LessonPlot} body
 * @param {Range} range
 * @param {Scale} scale
 */
function axes(body, { left, right, top, bottom }, { x, y, width }) {
  const end = width - MARGIN.right;
  const across = ticks(bottom, top, 6).flatMap((value) => [
    svg("line", { x1: MARGIN.left, x2: end, y1: y(value), y2: y(value), class: "grid" }),
    svg("text", { x: MARGIN.left - 6, y: y(value) + 4, class: "tick end" }, value),
  ]);
  const down = ticks(left, right, width < NARROW ? 4 : 8).flatMap((value) => [
    svg("line", { x1: x(value), x2: x(value), y1: y(bottom), y2: y(bottom) + 4, class: "grid" }),
    svg("text", { x: x(value), y: FLOOR + 17, class: "tick middle" }, value),
  ]);
  const units = [
    svg("text", { x: 2, y: 12, class: "tick" }, body.unit_y),
    svg("text", { x: end, y: HEIGHT - 4, class: "tick end" }, body.unit_x),
  ];
  return [...across, ...down, ...units];
}

/**
 * Numbered moments; neighbours that are close are drawn lower in turn.
 * @param {[number, string][]} marks
 * @param {Scale} scale
 */
function markLines(marks, { x }) {
  let last = Number.NEGATIVE_INFINITY;
  let lower = 0;
  return marks.flatMap(([at], number) => {
    lower = x(at) - last < 16 ? (lower + 1) % 2 : 0;
    last = x(at);
    const top = MARGIN.top + 14 * lower;
    const text = { x: x(at) + (lower ? 4 : 0), y: top - 6, class: lower ? "tick" : "tick middle" };
    return [
      svg("line", { x1: x(at), x2: x(at), y1: top - 2, y2: FLOOR, class: "lesson-mark" }),
      svg("text", text, number + 1),
    ];
  });
}

/**
 * @param {LessonPlot} body
 * @param {Scale} scale
 */
function curveLines(body, { x, y, width }) {
  const ends = body.curves.map((curve) => y(lastOf(curve.points)));
  const heights = apart(ends, 14, FLOOR - 4);
  return body.curves.flatMap((curve, number) => {
    const points = curve.points.map(([at, value]) => `${x(at).toFixed(1)},${y(value).toFixed(1)}`).join(" ");
    const name = { x: width - MARGIN.right + 6, y: heights[number] + 4, class: `lesson-curve-name c${number % 3}` };
    return [svg("polyline", { points, class: `lesson-curve c${number % 3}` }), svg("text", name, curve.name)];
  });
}

/**
 * @param {LessonPlot} body
 * @param {[number, string][]} marks
 * @param {Range} range
 * @param {Scale} scale
 */
function picture(body, marks, range, scale) {
  const courses = body.curves.map(({ name, points }) => {
    return `${name} from ${points[0][1].toFixed(1)} to ${lastOf(points).toFixed(1)} ${body.unit_y}`;
  });
  const label = courses.join("; ");
  const box = { width: scale.width, height: HEIGHT, viewBox: `0 0 ${scale.width} ${HEIGHT}` };
  const parts = [...axes(body, range, scale), ...markLines(marks, scale), ...curveLines(body, scale)];
  return svg("svg", { ...box, role: "img", "aria-label": label }, ...parts);
}

/**
 * Values of the curves at a moment, in words.
 * @param {LessonPlot} body
 * @param {number} x
 */
function readingAt(body, x) {
  const values = body.curves.map(({ name, points }) => `${name} ${nearest(points, x)[1].toFixed(1)}`);
  return `${x.toFixed(x < 100 ? 1 : 0)} ${body.unit_x}: ${values.join(", ")} ${body.unit_y}`;
}

/**
 * @param {LessonPlot} body
 * @param {[number, string][]} marks
 */
function markList(body, marks) {
  if (!marks.length) return null;
  const rows = marks.map(([at, text]) => make("li", {}, `at ${at.toFixed(0)} ${body.unit_x}: ${text}`));
  return make("ol", { class: "lesson-marks" }, ...rows);
}

/** @param {LessonPlot} body */
export function plot(body) {
  const range = rangeOf(body);
  const marks = [...body.marks].sort((a, b) => a[0] - b[0]);
  const moments = [...new Set(body.curves[0].points.map(([x]) => x))].sort((a, b) => a - b);
  const holder = make("div", { class: "lesson-plot" });
  const read = make("span", { class: "lesson-read" });
  const steps = { min: 0, max: moments.length - 1, value: Math.floor(moments.length / 3) };
  const slider = make("input", { type: "range", ...steps, "aria-label": `Read the curves, ${body.unit_x}` });
  const hair = svg("line", { class: "lesson-hair", y1: MARGIN.top, y2: FLOOR });
  /** @type {Scale | null} */
  let scale = null;
  const look = () => {
    const at = moments[slider.valueAsNumber];
    read.textContent = readingAt(body, at);
    slider.setAttribute("aria-valuetext", read.textContent);
    const x = String(scale?.x(at) ?? 0);
    hair.setAttribute("x1", x);
    hair.setAttribute("x2", x);
  };
  fitted(holder, (width) => {
    scale = scaleOf(range, width);
    const drawn = picture(body, marks, range, scale);
    drawn.append(hair);
    holder.replaceChildren(drawn);
    look();
  });
  slider.oninput = look;
  const caption = [make("div", { class: "lesson-reader" }, slider, read), markList(body, marks)];
  return make("figure", {}, holder, make("figcaption", {}, ...caption));
}
