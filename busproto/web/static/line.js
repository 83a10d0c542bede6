// The line log: what went over the line, the newest first, and each entry explained byte by byte.
import { byId, make, setText } from "./dom.js";
import { on, send } from "./connection.js";
import { waveform } from "./wave.js";

const MOST = 150;
const MARKS = { frame: "", overlap: "⚡", bytes: "·", round: "↻" };
const entries = new Map();
let chosen = null;
let asked = 0;
let lastOverlap = 0;
let leftOut = 0;

const isShown = (entry) => entry.kind !== "round" || byId("line-polling").checked;

function arrow(entry) {
  if (entry.kind === "overlap") return "overlap";
  if (entry.kind !== "frame") return entry.kind === "round" ? "polling" : "bytes";
  return entry.reply ? "to host" : "from host";
}

function row(entry) {
  const target = entry.reply ? "" : entry.to ? ` → ${entry.to}` : "";
  return make("div", { role: "option", class: `entry ${entry.kind} ${entry.reply ? "reply" : ""}`, id: `entry-${entry.n}`, "data-n": entry.n, "aria-selected": "false" },
    make("span", { class: "ms" }, (entry.ms / 1000).toFixed(3)), make("span", { class: "way" }, `${MARKS[entry.kind]} ${entry.kind === "frame" ? (entry.reply ? "◀" : "▶") : ""}`.trim(), make("span", { class: "out-of-sight" }, arrow(entry))),
    make("span", { class: "who" }, entry.who + target), make("span", { class: "what" }, entry.what), make("span", { class: "size" }, `${entry.size} B`));
}

function add(news) {
  leftOut += news.left_out;
  const list = byId("line-list");
  const holds = byId("line-hold").checked;
  for (const entry of news.entries) {
    if (entries.get(entry.n)?.size === entry.size) continue;  // told again, as the connection came back
    entries.set(entry.n, entry);
    if (entry.kind === "overlap") lastOverlap = entry.n;
    if (holds || !isShown(entry)) continue;
    byId(`entry-${entry.n}`)?.remove();
    list.prepend(row(entry));
  }
  while (list.children.length > MOST) list.lastChild.remove();
  while (entries.size > 4 * MOST) entries.delete(entries.keys().next().value);
  setText(byId("line-counts"), `overlaps so far: ${news.overlaps}${leftOut ? `; ${leftOut} entries came faster than they could be shown` : ""}`);
  byId("line-overlap").disabled = !lastOverlap;
}

function redraw() {
  byId("line-list").replaceChildren(...[...entries.values()].filter(isShown).slice(-MOST).reverse().map(row));
  mark();
}

function mark() {
  for (const old of byId("line-list").querySelectorAll("[aria-selected=true]")) old.setAttribute("aria-selected", "false");
  byId(`entry-${chosen}`)?.setAttribute("aria-selected", "true");
  byId("line-list").setAttribute("aria-activedescendant", `entry-${chosen}`);
}

export function choose(n) {
  chosen = n;
  mark();
  if (asked === n) return;
  asked = n;
  send({ do: "explain", entry: n });
}

function bytes(frame) {
  const hex = frame.hex.split(" ");
  const cells = hex.map((byte) => make("code", {}, byte));
  const light = (field, isOn) => { for (let at = field.at ?? 0; field.at !== null && at < field.at + field.size; at += 1) cells[at]?.classList.toggle("lit", isOn); };
  const rows = frame.fields.map((field) => {
    const line = make("tr", { tabindex: 0 }, make("th", { scope: "row" }, field.name.replaceAll("_", " ")), make("td", {}, field.text), make("td", { class: "small" }, field.at === null ? "" : field.size === 1 ? `byte ${field.at}` : `bytes ${field.at}–${field.at + field.size - 1}`), make("td", { class: "small" }, field.doc));
    line.onmouseenter = line.onfocus = () => light(field, true);
    line.onmouseleave = line.onblur = () => light(field, false);
    return line;
  });
  return make("div", { class: "frame" }, make("h4", {}, frame.title), make("p", { class: "hex" }, ...cells), rows.length ? make("div", { class: "scroll" }, make("table", {}, make("tbody", {}, ...rows))) : null);
}

function explain(body) {
  if (body.n !== chosen) return;
  const parts = [make("h3", {}, `${(body.ms / 1000).toFixed(3)} s: ${body.what}`)];
  if (body.kind === "overlap" || body.pieces.some((piece) => piece.edges_us)) parts.push(waveform(body));
  for (const piece of body.pieces) {
    if (body.kind !== "frame") parts.push(make("p", { class: "small" }, `${piece.who}: ${piece.hex.length > 60 ? `${piece.hex.slice(0, 60)}…` : piece.hex || "no bytes"}`));
    if (body.kind === "round" && piece.who !== "host") continue;
    parts.push(...piece.frames.map(bytes));
  }
  byId("explained").replaceChildren(...parts);
}

on("line", add);
on("explained", explain);
on("open", () => { asked = 0; });
byId("line-polling").onchange = redraw;
byId("line-hold").onchange = () => byId("line-hold").checked || redraw();
byId("line-overlap").disabled = true;
byId("line-overlap").onclick = () => choose(lastOverlap);
const list = byId("line-list");
const entryOf = (event) => event.target.closest?.(".entry");
list.addEventListener("mouseover", (event) => { if (byId("line-hold").checked && entryOf(event)) choose(Number(entryOf(event).dataset.n)); });
list.addEventListener("click", (event) => entryOf(event) && choose(Number(entryOf(event).dataset.n)));
list.addEventListener("keydown", (event) => {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (!step) return;
  event.preventDefault();
  const rows = [...list.children];
  const at = rows.findIndex((one) => Number(one.dataset.n) === chosen);
  const next = rows[Math.min(rows.length - 1, Math.max(0, at + step))];
  if (next) { choose(Number(next.dataset.n)); next.scrollIntoView({ block: "nearest" }); }
});
list.addEventListener("focus", () => { if (chosen === null && list.firstChild) choose(Number(list.firstChild.dataset.n)); });
