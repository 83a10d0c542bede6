// Settings of one actuator: what works now, what is stored, and changing it.
import { byId, make, setText } from "./dom.js";
import { on, send } from "./connection.js";
import { isBusy, operates, state, tileName } from "./state.js";

let chosen = null;
let drawnKey = "";

function readable() { return state.tiles.filter((tile) => tile.settings); }

function draw() {
  const tiles = readable();
  const body = byId("settings-body");
  if (!tiles.length) {
    drawnKey = "";
    body.replaceChildren(make("p", {}, "Find everyone first: settings are read from each that has an address of its own."));
    return;
  }
  const tile = tiles.find((one) => one.uid === chosen) ?? tiles[0];
  chosen = tile.uid;
  const may = operates() && !isBusy();
  const key = JSON.stringify([tile.uid, tile.settings, may, tiles.map(tileName)]);
  if (key === drawnKey) return;
  drawnKey = key;
  const pick = make("select", { id: "settings-who", onchange: (event) => { chosen = event.target.value; draw(); } },
    ...tiles.map((one) => make("option", { value: one.uid, selected: one === tile }, tileName(one))));
  const rows = state.parameters.map((row) => {
    const { text, stored } = tile.settings[row.name];
    const plain = row.unit && !row.is_table ? text.replace(` ${row.unit}`, "") : text;
    const field = row.choices.length
      ? make("select", { name: row.name, disabled: !may, "aria-label": row.name }, ...row.choices.map((word) => make("option", { value: word, selected: word === text }, word)))
      : make("input", { type: "text", name: row.name, value: plain, disabled: !may, autocomplete: "off", inputmode: row.is_table ? "text" : "decimal", "aria-label": `${row.name}, ${row.range}` });
    field.dataset.was = field.value;
    return make("tr", { title: row.doc }, make("th", { scope: "row" }, row.name), make("td", {}, field, ` ${row.is_table ? "" : row.unit}`),
      make("td", { class: "small" }, stored === text ? "stored" : `≠ stored: ${stored}`), make("td", { class: "small range" }, row.range));
  });
  const form = make("form", {}, make("div", { class: "scroll" }, make("table", { class: "settings-table" }, make("thead", {}, make("tr", {}, ...["setting", "works now", "stored memory", "allowed"].map((title) => make("th", { scope: "col" }, title)))), make("tbody", {}, ...rows))),
    make("div", { class: "task-row sticky" }, ...[["Set", false], ["Set and store", true]].map(([word, store]) => make("button", { type: "submit", "data-store": store ? "yes" : "", disabled: !may, class: store ? "primary" : "" }, word)),
      ...[["Undo to stored", "stored"], ["Back to factory", "factory"]].map(([word, to]) => make("button", { type: "button", disabled: !may, onclick: () => send({ do: "start", flow: "undo", with: { address: tile.address, to } }) }, word))));
  form.onsubmit = (event) => {
    event.preventDefault();
    const changes = {};
    for (const field of form.querySelectorAll("[name]")) if (field.value !== field.dataset.was) changes[field.name] = field.value;
    send({ do: "start", flow: "set", with: { address: tile.address, changes, store: event.submitter?.dataset.store === "yes" } });
  };
  const status = make("p", { id: "settings-status", class: "small", "aria-live": "polite" });
  body.replaceChildren(make("label", {}, "Actuator ", pick), status, form);
  tellOutcome();
}

function tellOutcome() {
  const flow = state.flow;
  const status = byId("settings-status");
  if (!status || !flow || !["set", "undo"].includes(flow.flow)) return;
  setText(status, flow.problem || flow.lines.join(" "));
  status.classList.toggle("problem", flow.state === "failed");
}

for (const kind of ["hello", "tiles", "role", "flow", "lost"]) on(kind, draw);
on("flow", tellOutcome);
