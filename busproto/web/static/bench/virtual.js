// Controls of the virtual bus: plug, hand, supply, disturbances, power-up.
import { onAny, send } from "../base/connection.js";
import { button, byId, make, taskRow } from "../base/dom.js";
import { operates, state } from "../base/state.js";
/** @import { Port } from "../base/messages.js" */

/**
 * A number field of a fault.
 * @typedef {{ name: string, label: string, value: number, min: number, max: number, step: number }} Wanted
 */
/** @typedef {{ what: string, title: string, fields: Wanted[], lasting: number | null }} Fault lasting in s */

/** @type {(name: string, label: string, value: number, min: number, max: number, step: number) => Wanted} */
const wanted = (name, label, value, min, max, step) => ({ name, label, value, min, max, step });
/** @type {(what: string, title: string, lasting: number | null, ...fields: Wanted[]) => Fault} */
const fault = (what, title, lasting, ...fields) => ({ what, title, fields, lasting });

const OF_LINE = [
  fault("noise", "Noise on the line", 5, wanted("rate", "fraction of bytes hit", 0.02, 0, 1, 0.001)),
  fault("stuck-low", "Line stuck low", 1),
  fault(
    "burst",
    "Burst of random levels",
    3,
    wanted("lasting", "each lasts, s", 0.002, 0.0001, 1, 0.0001),
    wanted("every", "again every, s", 0.1, 0.001, 3600, 0.001),
  ),
  fault("no-echo", "Host does not hear itself", 5),
  fault(
    "adapter",
    "Adapter loses bytes",
    5,
    wanted("batch-ms", "batches of, ms", 8, 0, 16, 1),
    wanted("drop-rate", "fraction lost", 0.01, 0, 1, 0.001),
  ),
];
const OF_ONE = [
  fault("mute", "Does not answer", 5),
  fault("late", "Answers late", 5, wanted("by-ms", "by, ms", 5, 0, 1000, 1)),
  fault("babble", "Babbles", 0.5),
  fault("brown-out", "Brown-out while it answers", null),
];
let drawnKey = "";

/** @param {string} line */
const control = (line) => send({ do: "control", line });

/**
 * @param {string} label
 * @param {number} value
 * @param {number} min
 * @param {number} max
 * @param {number} step
 */
function numberField(label, value, min, max, step = 1) {
  return make("input", { type: "number", value, min, max, step, "aria-label": label });
}

/**
 * @param {Fault} one
 * @param {(() => string) | null} actuator which one it happens to, null for the line
 */
function faultForm({ what, title, fields, lasting }, actuator = null) {
  const inputs = fields.map(({ label, ...rest }) => ({ label, input: make("input", { type: "number", ...rest }) }));
  const long = make("input", { type: "number", name: "for", value: lasting, min: 0.01, max: 600, step: 0.01 });
  const labels = inputs.map(({ label, input }) => make("label", {}, `${label} `, input));
  const length = lasting === null ? null : make("label", {}, "for, s ", long);
  const go = make("button", { type: "submit", "data-fault": what }, title);
  const form = make("form", { class: "task-row fault" }, go, ...labels, length);
  form.onsubmit = (event) => {
    event.preventDefault();
    const numbers = Object.fromEntries(inputs.map(({ input }) => [input.name, input.valueAsNumber]));
    const given = actuator ? { ...numbers, actuator: actuator() } : numbers;
    send({ do: "fault", what, fields: given, lasting: lasting === null ? null : long.valueAsNumber });
  };
  return form;
}

/** @param {Port} port */
function ofOneActuator({ actuators = [] }) {
  const before = document.getElementById("virtual-pick");
  const last = before instanceof HTMLSelectElement ? before.value : "";
  const options = actuators.map(({ label, powered }) => {
    return make("option", { value: label, selected: label === last }, `${label}${powered ? "" : " (unplugged)"}`);
  });
  const pick = make("select", { id: "virtual-pick" }, ...options);
  const hand = numberField("degrees", 20, -180, 180);
  const warm = numberField("degrees Celsius", 120, -40, 200);
  const byte = numberField("byte, from 0", 20, 0, 65535);
  const to = (/** @type {string} */ word, /** @type {HTMLInputElement} */ field) => () =>
    control(`${word} ${pick.value} ${field.value}`);
  return [
    make("h3", {}, "One actuator"),
    make("label", {}, "actuator ", pick),
    taskRow(button("Hand moves it to", to("hand", hand)), hand, "deg, if it is limp"),
    taskRow(button("Warm it to", to("warm", warm)), warm, "°C; it cools from there"),
    taskRow(button("Lose power in byte", to("cut", byte)), byte, "of what it stores next"),
    ...OF_ONE.map((one) => faultForm(one, () => pick.value)),
  ];
}

/** @param {Port} port */
function supplyAndAir({ supply_mv = 0, surfaces = [] }) {
  const volts = numberField("volts", supply_mv / 1000, 0, 60, 0.1);
  const speed = numberField("airspeed, m/s", 25, 0, 150);
  const blow = () => send({ do: "fault", what: "airspeed", fields: { speed: speed.valueAsNumber } });
  return [
    make("h3", {}, "Supply and air"),
    taskRow(
      button("Set supply to", () => control(`supply ${volts.value}`)),
      volts,
      "V",
    ),
    surfaces.length ? taskRow(button("Set airspeed to", blow), speed, "m/s") : null,
  ];
}

/** @param {Port} port */
function plugs({ actuators = [] }) {
  const rows = actuators.map(({ label, powered }) => {
    const act = () => control(`${powered ? "unplug" : "plug"} ${label}`);
    const marks = { class: "small-button", "data-plug": label, "aria-pressed": String(powered) };
    const go = button(powered ? "unplug" : "plug in", act, marks);
    return make("li", {}, go, ` ${label}`, powered ? "" : make("b", {}, " – unplugged"));
  });
  return [make("h3", {}, "Plugs"), make("ul", { class: "plugs" }, ...rows)];
}

function powerUp() {
  const note = make("span", { class: "small" }, "The bus starts anew; find the actuators again.");
  return taskRow(
    button("Power the whole bus up anew", () => send({ do: "power-up" })),
    note,
  );
}

/** @param {Port} port */
function all(port) {
  const text = "runs in this server, in real time. Faults started here act on the bus, also during a task.";
  const line = [make("h3", {}, "The line"), ...OF_LINE.map((one) => faultForm(one))];
  const parts = [...ofOneActuator(port), ...line, ...supplyAndAir(port), ...plugs(port), powerUp()];
  const set = make("fieldset", { disabled: !operates() }, ...parts);
  return [make("p", { class: "small" }, `${port.url}: ${text}`), set];
}

function draw() {
  const port = state.port;
  const body = byId("virtual-body");
  byId("tab-virtual").hidden = !port?.virtual;
  if (!port?.virtual) {
    drawnKey = "";
    body.replaceChildren(make("p", {}, "The port is real: faults can be started on a virtual bus only."));
    return;
  }
  const key = JSON.stringify([port.actuators, port.supply_mv, port.surfaces, operates()]);
  if (key === drawnKey) return;
  drawnKey = key;
  body.replaceChildren(...all(port));
}
onAny(["port", "role"], draw);
