// The running task: its state, its question, its messages, its result.
import { on, onAny, send } from "../base/connection.js";
import { alarm, button, byId, make, readAloud, setText, shape, taskRow } from "../base/dom.js";
import { operates } from "../base/state.js";
import { curves } from "./curves.js";
import { build, refresh } from "./task_forms.js";
/** @import { Flow, MatchResult, Question, Tried } from "../base/messages.js" */

const STATES = {
  running: ["half", "running"],
  done: ["disc", "done"],
  failed: ["cross", "failed"],
  stopped: ["barred", "stopped"],
};
const bar = make("progress", { max: 1, value: 0, "aria-label": "Progress of the task" });
const barText = make("span", { class: "small" });
let shownLines = "";

// --- its result -------------------------------------------------------------------------------------------------

/** @type {[string, (row: Tried) => string][]} */
const TRIAL_COLUMNS = [
  ["function", (row) => row.function],
  ["signal gone", (row) => row.loss_action_seen ?? "not tried"],
  ["after, ms", (row) => row.loss_after_ms?.join("..") ?? ""],
  ["", (row) => (row.as_planned ? "as planned" : `NOT as planned: ${row.problems.join("; ")}`)],
];

/** @param {Tried[]} rows */
function trialTable(rows) {
  const heads = TRIAL_COLUMNS.map(([title]) => make("th", { scope: "col" }, title));
  const line = (/** @type {Tried} */ row) =>
    make("tr", {}, ...TRIAL_COLUMNS.map(([, cell]) => make("td", {}, cell(row))));
  const body = make("tbody", {}, ...rows.map(line));
  return make("div", { class: "scroll" }, make("table", {}, make("thead", {}, make("tr", {}, ...heads)), body));
}

/** @param {Flow} flow */
function outcome(flow) {
  if (!flow.result) return null;
  if (flow.flow === "match") {
    const found = /** @type {MatchResult} */ (flow.result);
    return found.curves ? curves(found) : null;
  }
  return flow.flow === "trial" ? trialTable(/** @type {{ actuators: Tried[] }} */ (flow.result).actuators) : null;
}

// --- the task ---------------------------------------------------------------------------------------------------

/** @param {Flow} flow */
function head(flow) {
  const [name, word] = STATES[flow.state];
  const chip = make("p", { class: "chip", "data-flow-state": flow.state }, shape(name), make("span", {}, word));
  return make("div", { class: "flow-head" }, make("h3", {}, flow.title), chip);
}

/**
 * @param {string} word
 * @param {number} question its number, 0 for an order given beforehand
 * @param {Record<string, string | boolean>} more
 */
const answer = (word, question, more = {}) => button(word, () => send({ do: "answer", question, answer: word }), more);

/** @param {Flow} flow */
function running(flow) {
  const parts = [];
  if (!flow.question && !flow.orders.length) parts.push(make("div", { class: "progress" }, bar, barText));
  if (operates()) {
    const stop = button("Stop the task", () => send({ do: "stop" }), { class: "stop" });
    parts.push(taskRow(...flow.orders.map((word) => answer(word, 0)), stop));
  }
  return parts;
}

/** @param {Question} question */
function asked(question) {
  const more = { class: "primary", disabled: !operates() };
  const buttons = question.choices.map((word) => answer(word, question.n, more));
  const marks = { class: "question", role: "group", "aria-label": question.text };
  return make("div", marks, make("p", {}, question.text), ...buttons);
}

/** @param {Flow} flow */
function draw(flow) {
  const box = byId("flow");
  box.hidden = false;
  const lines = make("ol", { class: "flow-lines" }, ...flow.lines.map((line) => make("li", {}, line)));
  const parts = [
    head(flow),
    ...(flow.state === "running" ? running(flow) : []),
    flow.problem ? make("p", { class: "problem" }, flow.problem) : null,
    flow.question ? asked(flow.question) : null,
    outcome(flow),
    lines,
  ];
  box.replaceChildren(...parts.filter((part) => part !== null));
  lines.scrollTop = lines.scrollHeight;
  if (flow.question) /** @type {HTMLElement | null} */ (box.querySelector(".question button"))?.focus();
}

on("hello", build);
onAny(["role", "arm", "flow", "lost", "open"], refresh);
on("flow", (flow) => {
  draw(flow);
  const last = flow.lines.at(-1) ?? "";
  const key = `${flow.id} ${flow.state} ${flow.lines.length} ${last}`;
  if (key !== shownLines) readAloud(flow.question?.text ?? `${flow.title} ${flow.state}. ${last}`);
  shownLines = key;
  if (flow.state === "failed") alarm(`${flow.title}: ${flow.problem}`);
});
on("progress", (body) => {
  if (body.of) {
    bar.max = body.of;
    bar.value = body.at;
  } else bar.removeAttribute("value");
  const of = body.of ? ` of ${body.of}` : "";
  setText(barText, `${body.task}: ${body.at}${of}`);
  readAloud(`${body.task} ${body.at}${of}`);
});
