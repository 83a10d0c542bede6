// One entry of the line log byte by byte: each field highlights its bytes.
import { make } from "../base/dom.js";
import { waveform } from "./wave.js";
/** @import { Explained, ExplainedFrame, FrameField, Piece } from "../base/messages.js" */

const MOST_HEX = 60;

/** @param {FrameField} field */
function placeText({ offset_bytes: at, size_bytes: size }) {
  if (at === null) return "";
  return size === 1 ? `byte ${at}` : `bytes ${at}–${at + size - 1}`;
}

/**
 * @param {FrameField} field
 * @param {HTMLElement[]} cells of the bytes
 */
function fieldRow(field, cells) {
  const { offset_bytes: at, size_bytes: size } = field;
  const mine = at === null ? [] : cells.slice(at, at + size);
  const light = (/** @type {boolean} */ isOn) => {
    for (const cell of mine) cell.classList.toggle("lit", isOn);
  };
  const row = make(
    "tr",
    { tabindex: 0 },
    make("th", { scope: "row" }, field.name.replaceAll("_", " ")),
    make("td", {}, field.text),
    make("td", { class: "small" }, placeText(field)),
    make("td", { class: "small" }, field.doc),
  );
  row.onmouseenter = row.onfocus = () => light(true);
  row.onmouseleave = row.onblur = () => light(false);
  return row;
}

/** @param {ExplainedFrame} frame */
function frameBox(frame) {
  const cells = frame.hex.split(" ").map((byte) => make("code", {}, byte));
  const rows = frame.fields.map((field) => fieldRow(field, cells));
  const table = () => make("div", { class: "scroll" }, make("table", {}, make("tbody", {}, ...rows)));
  const bytes = make("p", { class: "hex" }, ...cells);
  return make("div", { class: "frame" }, make("h4", {}, frame.title), bytes, rows.length ? table() : null);
}

/** @param {Piece} piece */
function pieceLine({ source, hex }) {
  const shown = hex.length > MOST_HEX ? `${hex.slice(0, MOST_HEX)}…` : hex || "no bytes";
  return make("p", { class: "small" }, `${source}: ${shown}`);
}

/**
 * An entry as elements.
 * @param {Explained} body
 */
export function explain(body) {
  /** @type {HTMLElement[]} */
  const parts = [make("h3", {}, `${(body.ms / 1000).toFixed(3)} s: ${body.title}`)];
  if (body.kind === "overlap" || body.pieces.some((piece) => piece.edges_us)) parts.push(waveform(body));
  for (const piece of body.pieces) {
    if (body.kind !== "frame") parts.push(pieceLine(piece));
    if (body.kind !== "round" || piece.source === "host") parts.push(...piece.frames.map(frameBox));
  }
  return parts;
}
