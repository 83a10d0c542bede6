// Bit waveforms of an overlap: one row for each driver, the last one for the line itself.
import { make, svg } from "./dom.js";

const LABEL = 130, ROW = 40, HIGH = 8, LOW = 28, WIDTH = 900;

function path(edges, end, x) {
  let level = 1;
  let text = `M${x(0)} ${HIGH}`;
  for (const edge of edges) {
    if (edge > end) break;
    text += `H${x(edge)}`;
    level = 1 - level;
    text += `V${level ? HIGH : LOW}`;
  }
  return `${text}H${x(end)}`;
}

export function waveform(body) {
  const rows = body.pieces.filter((piece) => piece.edges_us).map((piece) => [piece.who, piece.edges_us, "driver"]);
  if (body.line_us) rows.push(["the line", body.line_us, "line"]);
  const end = Math.max(...body.pieces.map((piece) => piece.end_us), 1);
  const holder = make("div", { class: "wave", tabindex: 0, "aria-label": "Waveform; scrolls sideways" });
  let zoom = 1;
  function draw() {
    const width = WIDTH * zoom;
    const x = (us) => (LABEL + (us / end) * (width - LABEL - 10)).toFixed(2);
    const height = ROW * rows.length + 24;
    const picture = svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": body.pieces.map((piece) => `${piece.who} drives from ${piece.start_us.toFixed(0)} to ${piece.end_us.toFixed(0)} microseconds`).join("; ") });
    const step = 10 ** Math.ceil(Math.log10(end / zoom / 12));
    for (let us = 0; us <= end; us += step) {
      picture.append(svg("line", { x1: x(us), x2: x(us), y1: 0, y2: height - 18, class: "grid" }), svg("text", { x: x(us), y: height - 5, class: "tick middle" }, `${us} µs`));
    }
    rows.forEach(([who, edges, kind], number) => {
      const row = svg("g", { transform: `translate(0 ${number * ROW})` });
      row.append(svg("path", { d: path(edges, end, x), class: `level ${kind}` }), svg("rect", { x: 0, y: 0, width: LABEL - 4, height: ROW, class: "label-back" }), svg("text", { x: 4, y: 22, class: "label" }, who.length > 19 ? `${who.slice(0, 18)}…` : who));
      picture.append(row);
    });
    holder.replaceChildren(picture);
  }
  draw();
  const change = (factor) => () => {
    const middle = (holder.scrollLeft + holder.clientWidth / 2) / holder.scrollWidth;
    zoom = Math.min(32, Math.max(1, zoom * factor));
    draw();
    holder.scrollLeft = middle * holder.scrollWidth - holder.clientWidth / 2;
  };
  return make("div", { class: "wave-box" }, make("div", { class: "task-row" }, make("button", { class: "small-button", onclick: change(2) }, "Zoom in"), make("button", { class: "small-button", onclick: change(0.5) }, "Zoom out"), make("span", { class: "small" }, "High is idle. Bits begin with a low start bit.")), holder);
}
