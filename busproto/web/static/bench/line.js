// The line log: the traffic on the line, the newest entry first.
import { on, send } from "../base/connection.js";
import { byId, byIdAs, make, setText } from "../base/dom.js";
import { explain } from "./explained.js";
/** @import { Entry, Messages } from "../base/messages.js" */

const MOST = 150;
const MARKS = { frame: "", overlap: "⚡", bytes: "·", round: "↻" };
/** @type {Map<number, Entry>} */
const entries = new Map();
const list = byId("line-list");
const polling = byIdAs("line-polling", HTMLInputElement);
const hold = byIdAs("line-hold", HTMLInputElement);
const overlap = byIdAs("line-overlap", HTMLButtonElement);
/** @type {number | null} */
let chosen = null;
let asked = 0;
let lastOverlap = 0;
let leftOut = 0;

// --- rows -------------------------------------------------------------------------------------------------------

/** @param {Entry} entry */
const isShown = (entry) => entry.kind !== "round" || polling.checked;
/** @param {number | null} n */
const rowAt = (n) => document.getElementById(`entry-${n}`);

/** @param {Entry} entry */
function way(entry) {
  if (entry.kind === "frame") return entry.reply ? "to host" : "from host";
  return entry.kind === "round" ? "polling" : entry.kind;
}

/** @param {Entry} entry */
function row(entry) {
  const target = entry.to && !entry.reply ? ` → ${entry.to}` : "";
  const arrow = entry.kind !== "frame" ? "" : entry.reply ? "◀" : "▶";
  const mark = `${MARKS[entry.kind]} ${arrow}`.trim();
  const marks = {
    role: "option",
    class: `entry ${entry.kind} ${entry.reply ? "reply" : ""}`,
    id: `entry-${entry.n}`,
    "data-n": entry.n,
    "aria-selected": "false",
  };
  return make(
    "div",
    marks,
    make("span", { class: "ms" }, (entry.ms / 1000).toFixed(3)),
    make("span", { class: "way" }, mark, make("span", { class: "out-of-sight" }, way(entry))),
    make("span", { class: "who" }, entry.source + target),
    make("span", { class: "what" }, entry.title),
    make("span", { class: "size" }, `${entry.size_bytes} B`),
  );
}

/** @param {Entry} entry */
function take(entry) {
  if (entries.get(entry.n)?.size_bytes === entry.size_bytes) return; // told again, as the connection came back
  entries.set(entry.n, entry);
  if (entry.kind === "overlap") lastOverlap = entry.n;
  if (hold.checked || !isShown(entry)) return;
  rowAt(entry.n)?.remove();
  list.prepend(row(entry));
}

function forgetOld() {
  while (list.children.length > MOST) list.lastElementChild?.remove();
  for (const n of entries.keys()) {
    if (entries.size <= 4 * MOST) break;
    entries.delete(n);
  }
}

/** @param {Messages["line"]} news */
function add(news) {
  leftOut += news.left_out;
  news.entries.forEach(take);
  forgetOld();
  const missed = leftOut ? `; ${leftOut} entries came faster than they could be shown` : "";
  setText(byId("line-counts"), `overlaps so far: ${news.overlaps}${missed}`);
  overlap.disabled = !lastOverlap;
}

function redraw() {
  const shown = [...entries.values()].filter(isShown).slice(-MOST);
  list.replaceChildren(...shown.reverse().map(row));
  mark();
}

// --- the explained entry ----------------------------------------------------------------------------------------

function mark() {
  for (const old of list.querySelectorAll("[aria-selected=true]")) old.setAttribute("aria-selected", "false");
  rowAt(chosen)?.setAttribute("aria-selected", "true");
  list.setAttribute("aria-activedescendant", `entry-${chosen}`);
}

/** @param {number} n */
function choose(n) {
  chosen = n;
  mark();
  if (asked === n) return;
  asked = n;
  send({ do: "explain", entry: n });
}

/** @param {Element | null | undefined} found */
const chooseRow = (found) => found instanceof HTMLElement && choose(Number(found.dataset.n));
/** @param {Event} event */
const rowOf = (event) => (event.target instanceof Element ? event.target.closest(".entry") : null);

/** @type {Record<string, number>} */
const STEPS = { ArrowDown: 1, ArrowUp: -1 };
list.addEventListener("mouseover", (event) => hold.checked && chooseRow(rowOf(event)));
list.addEventListener("click", (event) => chooseRow(rowOf(event)));
list.addEventListener("keydown", (event) => {
  const step = STEPS[event.key];
  if (!step) return;
  event.preventDefault();
  const rows = [...list.children];
  const at = rows.findIndex((one) => one.id === `entry-${chosen}`);
  const next = rows[Math.min(rows.length - 1, Math.max(0, at + step))];
  chooseRow(next);
  next?.scrollIntoView({ block: "nearest" });
});
list.addEventListener("focus", () => chosen === null && chooseRow(list.firstElementChild));

on("line", add);
on("explained", (body) => {
  if (body.n === chosen) byId("explained").replaceChildren(...explain(body));
});
on("open", () => {
  asked = 0;
});
polling.onchange = redraw;
hold.onchange = () => hold.checked || redraw();
overlap.disabled = true;
overlap.onclick = () => choose(lastOverlap);
