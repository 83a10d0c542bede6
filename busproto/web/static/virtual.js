// What happens to the virtual bus, at a click: plug, hand, supply, disturbances, power-up.
import { byId, make } from "./dom.js";
import { on, send } from "./connection.js";
import { operates, state } from "./state.js";

const FAULTS = [
  ["noise", "Noise on the line", [["rate", "share of bytes hit", 0.02, 0, 1, 0.001]], 5],
  ["stuck-low", "Line stuck low", [], 1],
  ["burst", "Burst of random levels", [["lasting", "each lasts, s", 0.002, 0.0001, 1, 0.0001], ["every", "again every, s", 0.1, 0.001, 3600, 0.001]], 3],
  ["no-echo", "Host does not hear itself", [], 5],
  ["adapter", "Adapter loses bytes", [["batch_ms", "batches of, ms", 8, 0, 16, 1], ["drop_rate", "share lost", 0.01, 0, 1, 0.001]], 5],
];
const ONE = [
  ["mute", "Does not answer", [], 5],
  ["late", "Answers late", [["by_ms", "by, ms", 5, 0, 1000, 1]], 5],
  ["babble", "Babbles", [], 0.5],
  ["brown-out", "Browns out while it answers", [], null],
];
const KEYS = { batch_ms: "batch-ms", drop_rate: "drop-rate", by_ms: "by-ms" };
let drawnKey = "";

function field(name, label, value, low, high, step) {
  return make("label", {}, `${label} `, make("input", { type: "number", name, value, min: low, max: high, step }));
}

function fault([what, title, fields, lasting], who) {
  const form = make("form", { class: "task-row fault" }, make("button", { type: "submit", "data-fault": what }, title), ...fields.map((one) => field(...one)), lasting === null ? null : field("for", "for, s", lasting, 0.01, 600, 0.01));
  form.onsubmit = (event) => {
    event.preventDefault();
    const given = Object.fromEntries(fields.map(([name]) => [KEYS[name] ?? name, Number(form.elements[name].value)]));
    if (who) given.actuator = who();
    send({ do: "fault", what, fields: given, lasting: lasting === null ? null : Number(form.elements.for.value) });
  };
  return form;
}

function draw() {
  const port = state.port;
  const body = byId("virtual-body");
  byId("tab-virtual").hidden = !port?.virtual;
  if (!port?.virtual) {
    drawnKey = "";
    body.replaceChildren(make("p", {}, "The port is real: nothing can be arranged here."));
    return;
  }
  const key = JSON.stringify([port.actuators, port.supply_mv, port.surfaces, operates()]);
  if (key === drawnKey) return;
  drawnKey = key;
  const chosenBefore = byId("virtual-who")?.value;
  const pick = make("select", { id: "virtual-who" }, ...port.actuators.map((one) => make("option", { value: one.label, selected: one.label === chosenBefore }, `${one.label}${one.powered ? "" : " (unplugged)"}`)));
  const who = () => pick.value;
  const control = (line) => () => send({ do: "control", line });
  const hand = make("input", { type: "number", value: 20, min: -180, max: 180, step: 1, "aria-label": "degrees" });
  const degc = make("input", { type: "number", value: 120, min: -40, max: 200, step: 1, "aria-label": "degrees Celsius" });
  const byte = make("input", { type: "number", value: 20, min: 0, max: 65535, step: 1, "aria-label": "byte, from 0" });
  const volts = make("input", { type: "number", value: port.supply_mv / 1000, min: 0, max: 60, step: 0.1, "aria-label": "volts" });
  const speed = make("input", { type: "number", value: 25, min: 0, max: 150, step: 1, "aria-label": "airspeed, m/s" });
  const plugs = make("ul", { class: "plugs" }, ...port.actuators.map((one) => make("li", {}, make("button", { class: "small-button", "data-plug": one.label, "aria-pressed": String(one.powered), onclick: control(`${one.powered ? "unplug" : "plug"} ${one.label}`) }, one.powered ? "unplug" : "plug in"), ` ${one.label}`, one.powered ? "" : make("b", {}, " – unplugged"))));
  const set = make("fieldset", { disabled: !operates() },
    make("h3", {}, "One of them"), make("label", {}, "actuator ", pick),
    make("div", { class: "task-row" }, make("button", { id: "hand-go", onclick: () => send({ do: "control", line: `hand ${who()} ${hand.value}` }) }, "Hand moves it to"), hand, "deg, if it is limp"),
    make("div", { class: "task-row" }, make("button", { id: "warm-go", onclick: () => send({ do: "control", line: `warm ${who()} ${degc.value}` }) }, "Warm it to"), degc, "°C; it cools from there"),
    make("div", { class: "task-row" }, make("button", { id: "cut-go", onclick: () => send({ do: "control", line: `cut ${who()} ${byte.value}` }) }, "Lose power in byte"), byte, "of what it stores next"),
    ...ONE.map((one) => fault(one, who)),
    make("h3", {}, "The line"), ...FAULTS.map((one) => fault(one)),
    make("h3", {}, "Supply and air"),
    make("div", { class: "task-row" }, make("button", { onclick: () => send({ do: "control", line: `supply ${volts.value}` }) }, "Supply becomes"), volts, "V"),
    port.surfaces.length ? make("div", { class: "task-row" }, make("button", { onclick: () => send({ do: "fault", what: "airspeed", fields: { speed: Number(speed.value) } }) }, "Air goes past at"), speed, "m/s") : null,
    make("h3", {}, "Plugs"), plugs,
    make("div", { class: "task-row" }, make("button", { onclick: () => send({ do: "power-up" }) }, "Power the whole bus up anew"), make("span", { class: "small" }, "As the scenario has it; what was learned is forgotten.")));
  body.replaceChildren(make("p", { class: "small" }, `${port.url}: runs in this server, in real time. What happens here happens to the bus; the tasks must cope with it.`), set);
}
for (const kind of ["port", "role"]) on(kind, draw);
