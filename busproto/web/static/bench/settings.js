// Settings of one actuator: what works now, what is stored, and changing it.
import { on, onAny, send } from "../base/connection.js";
import { button, byId, make, setText } from "../base/dom.js";
import { isBusy, operates, state, tileName } from "../base/state.js";
/** @import { Parameter, Tile } from "../base/messages.js" */

const HEADS = ["setting", "works now", "stored memory", "allowed"];
/** @type {string | null} */
let chosen = null;
let drawnKey = "";
const status = make("p", { id: "settings-status", class: "small", "aria-live": "polite" });

/**
 * The field of one setting.
 * @param {Parameter} row
 * @param {string} text
 * @param {boolean} may
 */
function fieldOf(row, text, may) {
  if (row.choices.length) {
    const options = row.choices.map((word) => make("option", { value: word, selected: word === text }, word));
    return make("select", { name: row.name, disabled: !may, "aria-label": row.name }, ...options);
  }
  return make("input", {
    type: "text",
    name: row.name,
    value: row.unit && !row.is_table ? text.replace(` ${row.unit}`, "") : text,
    disabled: !may,
    autocomplete: "off",
    inputmode: row.is_table ? "text" : "decimal",
    "aria-label": `${row.name}, ${row.range}`,
  });
}

/**
 * @param {Parameter} row
 * @param {{ text: string, stored_value: string }} setting
 * @param {boolean} may
 */
function rowOf(row, { text, stored_value: stored }, may) {
  const field = fieldOf(row, text, may);
  field.dataset.was = field.value;
  return make(
    "tr",
    { title: row.doc },
    make("th", { scope: "row" }, row.name),
    make("td", {}, field, ` ${row.is_table ? "" : row.unit}`),
    make("td", { class: "small" }, stored === text ? "stored" : `≠ stored: ${stored}`),
    make("td", { class: "small range" }, row.range),
  );
}

/**
 * @param {Tile} tile
 * @param {boolean} may
 */
function buttons(tile, may) {
  const undo = (/** @type {string} */ to) => () =>
    send({ do: "start", flow: "undo", with: { address: tile.address, to } });
  return make(
    "div",
    { class: "task-row sticky" },
    make("button", { type: "submit", "data-store": "", disabled: !may }, "Set"),
    make("button", { type: "submit", "data-store": "yes", disabled: !may, class: "primary" }, "Set and store"),
    button("Undo to stored", undo("stored"), { disabled: !may }),
    button("Back to factory", undo("factory"), { disabled: !may }),
  );
}

/**
 * What was changed in a form, by name.
 * @param {HTMLFormElement} form
 */
function changesIn(form) {
  /** @type {NodeListOf<HTMLInputElement | HTMLSelectElement>} */
  const fields = form.querySelectorAll("[name]");
  const changed = [...fields].filter((field) => field.value !== field.dataset.was);
  return Object.fromEntries(changed.map((field) => [field.name, field.value]));
}

/**
 * @param {Tile} tile
 * @param {boolean} may
 */
function formOf(tile, may) {
  const heads = HEADS.map((title) => make("th", { scope: "col" }, title));
  const known = state.parameters.filter((row) => tile.settings?.[row.name]);
  const rows = known.map((row) => rowOf(row, tile.settings?.[row.name] ?? { text: "", stored_value: "" }, may));
  const body = [make("thead", {}, make("tr", {}, ...heads)), make("tbody", {}, ...rows)];
  const table = make("div", { class: "scroll" }, make("table", { class: "settings-table" }, ...body));
  const form = make("form", {}, table, buttons(tile, may));
  form.onsubmit = (event) => {
    event.preventDefault();
    const store = event.submitter?.dataset.store === "yes";
    send({ do: "start", flow: "set", with: { address: tile.address, changes: changesIn(form), store } });
  };
  return form;
}

/**
 * @param {Tile[]} tiles
 * @param {Tile} tile
 */
function pickOf(tiles, tile) {
  const options = tiles.map((one) => make("option", { value: one.uid, selected: one === tile }, tileName(one)));
  const pick = make("select", { id: "settings-pick" }, ...options);
  pick.onchange = () => {
    chosen = pick.value;
    draw();
  };
  return make("label", {}, "Actuator ", pick);
}

function draw() {
  const tiles = state.tiles.filter((tile) => tile.settings);
  const body = byId("settings-body");
  if (!tiles.length) {
    drawnKey = "";
    const text = "Find the actuators first: settings are read from each one that has an address of its own.";
    body.replaceChildren(make("p", {}, text));
    return;
  }
  const tile = tiles.find((one) => one.uid === chosen) ?? tiles[0];
  chosen = tile.uid;
  const may = operates() && !isBusy();
  const key = JSON.stringify([tile.uid, tile.settings, may, tiles.map(tileName)]);
  if (key === drawnKey) return;
  drawnKey = key;
  body.replaceChildren(pickOf(tiles, tile), status, formOf(tile, may));
}

function tellOutcome() {
  const flow = state.flow;
  if (!flow || !["set", "undo"].includes(flow.flow)) return;
  setText(status, flow.problem || flow.lines.join(" "));
  status.classList.toggle("problem", flow.state === "failed");
}

onAny(["hello", "tiles", "role", "flow", "lost"], draw);
on("flow", tellOutcome);
