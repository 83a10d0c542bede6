// The forms of the guided tasks: its description and its fields.
import { send } from "../base/connection.js";
import { byId, make, setText, taskRow } from "../base/dom.js";
import { isBusy, operates, state } from "../base/state.js";
/** @import { FlowKind } from "../base/messages.js" */

/**
 * One task: `parts` are its fields, `fields` reads them.
 * @typedef {object} Task
 * @property {string} flow
 * @property {string} text
 * @property {HTMLElement[]} [parts]
 * @property {() => object} [fields]
 * @property {string} [missing] what it lacks
 */

const COMMON = "Another page operates the bench: only that page can start a task.";
const PARTS = ["start", "centre", "move", "loss"];

/** @returns {Task} */
function claim() {
  const again = make("input", { type: "checkbox", name: "again" });
  return {
    flow: "claim",
    text:
      "All actuators go limp. You move one surface after another by hand, and the bench learns which actuator " +
      "moves it. Nothing has to be unplugged.",
    parts: [make("label", {}, again, " begin anew")],
    fields: () => ({ again: again.checked }),
  };
}

/** @returns {Task} */
function match() {
  const names = Object.keys(state.airframe?.gangs ?? {});
  const options = names.map((value) => make("option", { value }, value));
  const gang = make("select", { name: "gang", "aria-label": "gang" }, ...options);
  const stations = make("input", { type: "number", name: "stations", min: 12, max: 101, value: 33 });
  const looks = make("input", { type: "number", name: "looks", min: 1, max: 50, value: 3 });
  const label = (/** @type {string} */ text, /** @type {HTMLElement} */ field) => make("label", {}, `${text} `, field);
  return {
    flow: "match",
    text:
      "Measures how the actuators on one surface differ, corrects that, and measures again. The surface moves over " +
      "nearly all of its travel.",
    parts: [label("gang", gang), label("places", stations), label("looks", looks)],
    fields: () => ({ gang: gang.value, stations: stations.valueAsNumber, looks: looks.valueAsNumber }),
    missing: names.length ? "" : "The airframe has no gang.",
  };
}

/** @returns {Task} */
function trial() {
  const boxes = PARTS.map((value) =>
    make("input", { type: "checkbox", name: "parts", value, checked: value === "loss" }),
  );
  return {
    flow: "trial",
    text:
      "All actuators follow a demand, then the signal stops. The task tells what each actuator does then, and after " +
      "how long.",
    parts: boxes.map((box) => make("label", {}, box, ` ${box.value}`)),
    fields: () => ({ parts: boxes.filter((box) => box.checked).map((box) => box.value) }),
  };
}

/** @returns {Task[]} */
function tasks() {
  return [
    {
      flow: "find",
      text:
        "Lists the actuators on the line, also several at one address, and proves that none is missing. It moves " +
        "nothing and changes nothing.",
    },
    {
      flow: "number",
      text: "Gives a free address to each actuator that has none or shares one. It asks before it writes.",
    },
    claim(),
    match(),
    trial(),
  ];
}

/**
 * Why it cannot be started now, "" where it can.
 * @param {FlowKind} kind
 * @param {Task} task
 */
function hindrance(kind, task) {
  if (!operates()) return COMMON;
  if (isBusy()) return "Another task runs: it ends first.";
  if (kind.needs_plan && !state.airframe) return "Needs an airframe file: busproto serve --airframe FILE.";
  if (task.missing) return task.missing;
  if (kind.moves && !state.armed) return "This moves actuators: tick the cautions and arm first.";
  return "";
}

/** @type {{ task: Task, kind: FlowKind, go: HTMLButtonElement, why: HTMLElement }[]} */
let cards = [];

/** @param {Task} task */
function card(task) {
  const kind = state.flows[task.flow];
  const go = make("button", { type: "submit" }, kind.title);
  const why = make("p", { class: "small why-not" });
  const form = make("form", { class: "task" }, make("p", {}, task.text), taskRow(...(task.parts ?? []), go), why);
  form.onsubmit = (event) => {
    event.preventDefault();
    send({ do: "start", flow: task.flow, with: task.fields?.() ?? {} });
  };
  cards.push({ task, kind, go, why });
  return form;
}

/** The forms anew, for the airframe and the flows that the server has. */
export function build() {
  cards = [];
  byId("task-list").replaceChildren(
    ...tasks()
      .filter((task) => state.flows[task.flow])
      .map(card),
  );
  refresh();
}

/** Which can be started now, and why the others cannot. */
export function refresh() {
  byId("task-list").hidden = isBusy();
  setText(byId("tasks-why"), operates() ? "" : COMMON);
  for (const { task, kind, go, why } of cards) {
    const text = hindrance(kind, task);
    go.disabled = text !== "";
    setText(why, text);
    why.hidden = text === "" || text === COMMON;
  }
}
