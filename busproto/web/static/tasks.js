// Guided tasks: what can be started, how the one that runs stands, its questions, its result.
import { alarm, byId, make, readAloud, setText, shape } from "./dom.js";
import { on, send } from "./connection.js";
import { isBusy, operates, state } from "./state.js";
import { curves } from "./curves.js";

const STATES = { running: ["half", "running"], done: ["disc", "done"], failed: ["cross", "failed"], stopped: ["barred", "stopped"] };
const bar = make("progress", { max: 1, value: 0, "aria-label": "Progress of the task" });
const barText = make("span", { class: "small" });
let shownLines = "";
const COMMON = "Somebody else operates the bench: these are theirs to start.";

function start(flow, fields = {}) { send({ do: "start", flow, with: fields }); }

function choice(name, values) {
  return make("select", { name, "aria-label": name }, ...values.map((value) => make("option", { value }, value)));
}

function forms() {
  const gangs = Object.keys(state.airframe?.gangs ?? {});
  return [
    { flow: "find", text: "Who is on the line, also several at one address, and the proof that nobody is missing. Moves nothing, changes nothing." },
    { flow: "number", text: "A free address for everyone who has none or shares one. Asks before it writes." },
    { flow: "claim", text: "All go limp; you move one surface after another by hand, and the tool learns which actuator that is. Nothing has to be unplugged.",
      parts: () => [make("label", {}, make("input", { type: "checkbox", name: "again" }), " begin anew")],
      fields: (form) => ({ again: form.elements.again.checked }) },
    { flow: "match", text: "Measures how those on one surface differ, corrects them, proves it. The surface moves over nearly all of its travel.",
      parts: () => [make("label", {}, "gang ", choice("gang", gangs)), make("label", {}, "places ", make("input", { type: "number", name: "stations", min: 12, max: 101, value: 33 })), make("label", {}, "looks ", make("input", { type: "number", name: "looks", min: 1, max: 50, value: 3 }))],
      fields: (form) => ({ gang: form.elements.gang.value, stations: Number(form.elements.stations.value), looks: Number(form.elements.looks.value) }),
      missing: () => gangs.length ? "" : "The airframe has no gang." },
    { flow: "trial", text: "Everyone follows, then the signal stops: what does each one do, and after how long?",
      parts: () => ["start", "centre", "move", "loss"].map((part) => make("label", {}, make("input", { type: "checkbox", name: "parts", value: part, checked: part === "loss" }), ` ${part}`)),
      fields: (form) => ({ parts: [...form.querySelectorAll("[name=parts]:checked")].map((one) => one.value) }) },
  ];
}

function reason(kind, form) {
  if (!operates() || isBusy()) return COMMON;
  if (kind.needs_plan && !state.airframe) return "Needs an airframe file: busproto serve --airframe FILE.";
  if (form.missing?.()) return form.missing();
  if (kind.moves && !state.armed) return "This moves actuators: tick the cautions and arm first.";
  return "";
}

const cards = new Map();
function build() {
  cards.clear();
  byId("task-list").replaceChildren(...forms().filter((one) => state.flows[one.flow]).map((one) => {
    const kind = state.flows[one.flow];
    const go = make("button", { type: "submit" }, kind.title);
    const why = make("p", { class: "small why-not" });
    const form = make("form", { class: "task" }, make("p", {}, one.text), make("div", { class: "task-row" }, ...(one.parts?.() ?? []), go), why);
    form.onsubmit = (event) => { event.preventDefault(); start(one.flow, one.fields?.(form) ?? {}); };
    cards.set(one.flow, { one, kind, go, why });
    return form;
  }));
  refresh();
}

function refresh() {
  byId("task-list").hidden = isBusy();
  setText(byId("tasks-why"), operates() ? "" : COMMON);
  for (const { one, kind, go, why } of cards.values()) {
    const text = reason(kind, one);
    go.disabled = text !== "";
    setText(why, text);
    why.hidden = text === "" || text === COMMON;
  }
}

function table(rows, columns) {
  return make("div", { class: "scroll" }, make("table", {}, make("thead", {}, make("tr", {}, ...columns.map(([title]) => make("th", { scope: "col" }, title)))),
    make("tbody", {}, ...rows.map((row) => make("tr", {}, ...columns.map(([, cell]) => make("td", {}, String(cell(row) ?? ""))))))));
}

function result(flow) {
  const found = flow.result;
  if (!found) return null;
  if (flow.flow === "match" && found.curves) return curves(found);
  if (flow.flow === "trial") {
    return table(found.actuators, [["function", (row) => row.function], ["signal gone", (row) => row.loss_action ?? "not tried"], ["after, ms", (row) => row.loss_after_ms?.join("..") ?? ""], ["", (row) => (row.passed ? "as planned" : `NOT as planned: ${row.faults.join("; ")}`)]]);
  }
  return null;
}

function draw(flow) {
  const box = byId("flow");
  box.hidden = false;
  const [name, word] = STATES[flow.state];
  const head = make("div", { class: "flow-head" }, make("h3", {}, flow.title), make("p", { class: "chip", "data-flow-state": flow.state }, shape(name), make("span", {}, word)));
  const parts = [head];
  if (flow.state === "running") {
    if (!flow.question && !flow.orders.length) parts.push(make("div", { class: "progress" }, bar, barText));
    if (operates()) parts.push(make("div", { class: "task-row" }, ...flow.orders.map((word) => make("button", { onclick: () => send({ do: "answer", question: 0, answer: word }) }, word)), make("button", { class: "stop", onclick: () => send({ do: "stop" }) }, "Stop the task")));
  }
  if (flow.problem) parts.push(make("p", { class: "problem" }, flow.problem));
  if (flow.question) {
    const buttons = flow.question.choices.map((word) => make("button", { class: "primary", disabled: !operates(), onclick: () => send({ do: "answer", question: flow.question.n, answer: word }) }, word));
    parts.push(make("div", { class: "question", role: "group", "aria-label": flow.question.text }, make("p", {}, flow.question.text), ...buttons));
  }
  const outcome = result(flow);
  if (outcome) parts.push(outcome);
  const lines = make("ol", { class: "flow-lines" }, ...flow.lines.map((line) => make("li", {}, line)));
  parts.push(lines);
  box.replaceChildren(...parts);
  lines.scrollTop = lines.scrollHeight;
  if (flow.question) box.querySelector(".question button")?.focus();
}

on("hello", build);
for (const kind of ["role", "arm", "flow", "lost", "open"]) on(kind, refresh);
on("flow", (flow) => {
  draw(flow);
  const last = flow.lines.at(-1) ?? "";
  const key = `${flow.id} ${flow.state} ${flow.lines.length} ${last}`;
  if (key !== shownLines) readAloud(flow.question?.text ?? `${flow.title} ${flow.state}. ${last}`);
  shownLines = key;
  if (flow.state === "failed") alarm(`${flow.title}: ${flow.problem}`);
});
on("progress", (body) => {
  if (body.of) { bar.max = body.of; bar.value = body.at; } else bar.removeAttribute("value");
  setText(barText, `${body.task}: ${body.at}${body.of ? ` of ${body.of}` : ""}`);
  readAloud(`${body.task} ${body.at}${body.of ? ` of ${body.of}` : ""}`);
});

function say(text, isProblem = false) {
  const list = byId("said");
  list.prepend(make("li", { class: isProblem ? "problem" : "" }, `${new Date().toLocaleTimeString("en-GB")}  ${text}`));
  while (list.children.length > 60) list.lastChild.remove();
}
on("said", (body) => { say(body.text); readAloud(body.text); });
on("refused", (body) => { say(body.text, true); alarm(body.text); toast(body.text); });
on("arm", (body) => body.why && say(body.limp ? `${body.limp} (${body.why})` : `ended: ${body.why}`));

let fading = null;
function toast(text) {
  const box = byId("lost");
  setText(box, text);
  box.hidden = false;
  clearTimeout(fading);
  fading = setTimeout(() => { if (box.textContent === text) box.hidden = true; }, 6000);
}
