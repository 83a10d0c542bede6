// Number of actuators found, step by step, compared with theory.
import { svg } from "../base/dom.js";
import { ticks } from "./plot.js";
/** @import { LessonStep } from "../base/messages.js" */

const HEIGHT = 150;
const LEFT = 30;
const RIGHT = 10;
const TOP = 16;
const BOTTOM = 30;
const NARROW = 420;

/**
 * @typedef {object} Course
 * @property {number[]} counts found at each step
 * @property {(number | null)[]} levels how many theory expects at each step
 * @property {number | null} total how many steps theory expects in all
 * @property {number} all how many there are
 */
/** @typedef {{ x: (step: number) => number, y: (count: number) => number, width: number, last: number }} Scale */

/**
 * @param {LessonStep[]} steps
 * @returns {Course}
 */
export function courseOf(steps) {
  const courses = steps.map((step) => step.course);
  return {
    counts: courses.map((one) => one.found),
    levels: courses.map((one) => one.expected_found ?? null),
    total: courses[0].expected_queries ?? null,
    all: courses[0].among,
  };
}

/**
 * @param {Course} course
 * @param {Scale} scale
 */
function axes({ all, total }, { x, y, width, last }) {
  const end = width - RIGHT;
  const whole = (/** @type {number} */ count) => Number.isInteger(count);
  const across = ticks(0, all, 4).filter(whole);
  const down = ticks(0, last, width < NARROW ? 5 : 10).filter(whole);
  return [
    ...across.flatMap((count) => [
      svg("line", { x1: LEFT, x2: end, y1: y(count), y2: y(count), class: "grid" }),
      svg("text", { x: LEFT - 5, y: y(count) + 4, class: "tick end" }, count),
    ]),
    ...down.map((step) => svg("text", { x: x(step), y: HEIGHT - 16, class: "tick middle" }, step)),
    svg("text", { x: LEFT, y: 11, class: "tick" }, "found"),
    svg("text", { x: end, y: HEIGHT - 3, class: "tick end" }, total === null ? "step" : "query"),
  ];
}

/**
 * @param {Course} course
 * @param {Scale} scale
 * @param {number} at
 */
function theory({ levels, total, all }, { x, y }, at) {
  const lines = levels.slice(0, at + 1).map((level, step) => {
    if (level === null) return null;
    const height = y(Math.min(all, level));
    return svg("line", { x1: x(step), x2: x(step + 1), y1: height, y2: height, class: "lesson-theory" });
  });
  if (total === null) return lines;
  const name = { x: x(total) - 5, y: y(0) - 6, class: "lesson-theory-name end" };
  return [
    svg("line", { x1: x(total), x2: x(total), y1: TOP, y2: y(0), class: "lesson-theory" }),
    svg("text", name, `theory, mean: ${total.toFixed(1)}`),
    ...lines,
  ];
}

/**
 * @param {number} width
 * @param {Course} course
 * @param {number} at the step that is shown
 */
export function drawCourse(width, course, at) {
  const { counts, total, all } = course;
  const last = Math.max(counts.length, Math.ceil(total ?? 0)) + 0.5;
  /** @type {Scale} */
  const scale = {
    width,
    last,
    x: (step) => LEFT + (step / last) * (width - LEFT - RIGHT),
    y: (count) => TOP + (1 - count / (all || 1)) * (HEIGHT - TOP - BOTTOM),
  };
  const { x, y } = scale;
  const steps = counts.slice(0, at + 1).map((count, step) => `H${x(step + 1)}V${y(count)}`);
  const found = svg("path", { d: `M${x(0)} ${y(0)}${steps.join("")}`, class: "lesson-found" });
  const end = svg("circle", { cx: x(at + 1), cy: y(counts[at]), r: 4, class: "lesson-found-end" });
  const label = `Found after ${at + 1} of ${counts.length} steps: ${counts[at]} of ${all}`;
  const box = { width, height: HEIGHT, viewBox: `0 0 ${width} ${HEIGHT}`, role: "img", "aria-label": label };
  return svg("svg", box, ...axes(course, scale), ...theory(course, scale, at), found, end);
}
