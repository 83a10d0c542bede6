// Mismatch of a gang over its travel, before and after: a drawing, and the figures beside it.
import { make, svg } from "./dom.js";

const WIDTH = 520, HEIGHT = 240, LEFT = 52, BOTTOM = 34, TOP = 10, RIGHT = 10;

export function curves(found) {
  const sets = [["before", "dashed"], ["after", "solid"]];
  const all = sets.flatMap(([when]) => Object.values(found.curves[when]).flat());
  const top = Math.max(0.05, ...all.map(([, error]) => Math.abs(error)));
  const x = (percent) => LEFT + ((percent + 100) / 200) * (WIDTH - LEFT - RIGHT);
  const y = (error) => TOP + (1 - (error + top) / (2 * top)) * (HEIGHT - TOP - BOTTOM);
  const picture = svg("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "curves", role: "img", "aria-label": `Mismatch before and after: greatest ${found.before.greatest_deg} degrees before, ${found.after.greatest_deg} after` });
  for (const error of [-top, 0, top]) {
    picture.append(svg("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: y(error), y2: y(error), class: "grid" }));
    picture.append(svg("text", { x: LEFT - 6, y: y(error) + 4, class: "tick end" }, `${error.toFixed(2)}°`));
  }
  for (const percent of [-100, -50, 0, 50, 100]) picture.append(svg("text", { x: x(percent), y: HEIGHT - 14, class: `tick ${percent === 100 ? "end" : "middle"}` }, `${percent} %`));
  let number = 0;
  for (const name of Object.keys(found.curves.before)) {
    for (const [when, style] of sets) {
      const points = found.curves[when][name].map(([percent, error]) => `${x(percent).toFixed(1)},${y(error).toFixed(1)}`).join(" ");
      picture.append(svg("polyline", { points, class: `curve ${style} member-${number % 3}` }));
      const [percent, error] = found.curves[when][name].at(when === "before" ? 1 : -2 - 3 * number);
      picture.append(svg("text", { x: x(percent), y: y(error) - 5, class: `tick ${when === "before" ? "" : "end"}` }, `${number + 1} ${when}`));
    }
    number += 1;
  }
  const figures = make("ul", {}, ...found.members.map((one, at) => make("li", {}, `${at + 1} ${one.function}: greatest ${one.greatest_before_deg}° → ${one.greatest_after_deg}°`)),
    make("li", {}, `current of all at rest ${found.before.idle_ma} → ${found.after.idle_ma} mA`));
  return make("figure", {}, picture, make("figcaption", {}, `Mismatch to ${found.lead} over the demand: dashed before, solid after.`, figures));
}
