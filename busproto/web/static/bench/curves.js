// Mismatch of a gang over its travel, before and after: a drawing, and the figures beside it.
import { make, svg } from "../base/dom.js";
/** @import { MatchResult } from "../base/messages.js" */

const WIDTH = 520;
const HEIGHT = 240;
const LEFT = 52;
const BOTTOM = 34;
const TOP = 10;
const RIGHT = 10;
/** @type {["before" | "after", string][]} */
const SETS = [
  ["before", "dashed"],
  ["after", "solid"],
];

/** @typedef {{ x: (percent: number) => number, y: (deg: number) => number, top: number }} Scale */

/**
 * @param {MatchResult} found
 * @returns {Scale}
 */
function scaleOf(found) {
  const all = SETS.flatMap(([when]) => Object.values(found.curves[when]).flat());
  const top = Math.max(0.05, ...all.map(([, error]) => Math.abs(error)));
  return {
    top,
    x: (percent) => LEFT + ((percent + 100) / 200) * (WIDTH - LEFT - RIGHT),
    y: (error) => TOP + (1 - (error + top) / (2 * top)) * (HEIGHT - TOP - BOTTOM),
  };
}

/** @param {Scale} scale */
function axes({ x, y, top }) {
  const parts = [];
  for (const error of [-top, 0, top]) {
    parts.push(svg("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: y(error), y2: y(error), class: "grid" }));
    parts.push(svg("text", { x: LEFT - 6, y: y(error) + 4, class: "tick end" }, `${error.toFixed(2)}°`));
  }
  for (const percent of [-100, -50, 0, 50, 100]) {
    const side = percent === 100 ? "end" : "middle";
    parts.push(svg("text", { x: x(percent), y: HEIGHT - 14, class: `tick ${side}` }, `${percent} %`));
  }
  return parts;
}

/**
 * Both curves of one member.
 * @param {MatchResult} found
 * @param {string} name
 * @param {number} number
 * @param {Scale} scale
 */
function memberCurves(found, name, number, { x, y }) {
  return SETS.flatMap(([when, style]) => {
    const course = found.curves[when][name];
    const points = course.map(([percent, error]) => `${x(percent).toFixed(1)},${y(error).toFixed(1)}`).join(" ");
    const line = svg("polyline", { points, class: `curve ${style} member-${number % 3}` });
    const named = course.at(when === "before" ? 1 : -2 - 3 * number);
    if (!named) return [line];
    const at = { x: x(named[0]), y: y(named[1]) - 5, class: `tick ${when === "before" ? "" : "end"}` };
    return [line, svg("text", at, `${number + 1} ${when}`)];
  });
}

/** @param {MatchResult} found */
function figures(found) {
  const rows = found.members.map((one, at) => {
    return `${at + 1} ${one.function}: greatest ${one.greatest_before_deg}° → ${one.greatest_after_deg}°`;
  });
  rows.push(
    `current of all at rest ${found.figures_before.idle_current_ma} → ${found.figures_after.idle_current_ma} mA`,
  );
  return make("ul", {}, ...rows.map((row) => make("li", {}, row)));
}

/** @param {MatchResult} found */
export function curves(found) {
  const scale = scaleOf(found);
  const { figures_before: before, figures_after: after } = found;
  const worst = `greatest ${before.greatest_deg} degrees before, ${after.greatest_deg} after`;
  const label = `Mismatch before and after: ${worst}`;
  const size = { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "curves", role: "img", "aria-label": label };
  const names = Object.keys(found.curves.before);
  const lines = names.flatMap((name, number) => memberCurves(found, name, number, scale));
  const text = `Mismatch to ${found.lead} over the demand: dashed before, solid after.`;
  const caption = make("figcaption", {}, text, figures(found));
  return make("figure", {}, svg("svg", size, ...axes(scale), ...lines), caption);
}
