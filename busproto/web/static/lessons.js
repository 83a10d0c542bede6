// Lessons: nine of them, on virtual buses of their own. The scenes come from the server, which computes them anew.
import { byId, make, setText } from "./dom.js";
import { on, token } from "./connection.js";
import { paragraphs, plot, scope, table } from "./lesson_scene.js";
import { player } from "./lesson_search.js";

const MOST_SEED = 2 ** 31 - 1;
const body = byId("lessons-body");
const right = new Set();
let list = [];
let lesson = null;
let at = 0;
let asked = 0;
let wanted = fromHash();

function fromHash() {
  const given = new URLSearchParams(location.hash.slice(1));
  const seed = Number(given.get("seed") ?? 1);
  return given.get("lesson") ? { name: given.get("lesson"), seed: Number.isInteger(seed) ? seed : 1, scene: Math.max(0, Number.parseInt(given.get("scene") ?? 1, 10) - 1 || 0) } : null;
}

/** The address says which lesson it is, so that a reload comes back to it; the token is never in it by then. */
function remember() {
  if (new URLSearchParams(location.hash.slice(1)).has("token")) return;
  const here = lesson && document.body.dataset.tab === "lessons" ? `#lesson=${lesson.name}&seed=${lesson.seed}&scene=${at + 1}` : "";
  if (location.hash !== here) history.replaceState(null, "", location.pathname + here);
}
new MutationObserver(remember).observe(document.body, { attributes: true, attributeFilter: ["data-tab"] });

async function ask(path, fields = {}) {
  const key = token();
  if (!key) throw new Error("This page was opened without its token: open the URL that 'busproto serve' prints.");
  const answer = await fetch(`${path}?${new URLSearchParams(fields)}`, { headers: { authorization: `Bearer ${key}` } }).catch(() => null);
  if (!answer) throw new Error("The server does not answer.");
  const told = await answer.json().catch(() => ({ error: `the server says ${answer.status}` }));
  if (!answer.ok) throw new Error(told.error);
  return told;
}

function failed(error, again) {
  body.setAttribute("aria-busy", "false");
  body.replaceChildren(make("p", { class: "problem", role: "alert" }, error.message), make("div", { class: "task-row" }, make("button", { type: "button", onclick: again }, "Try again"), list.length ? make("button", { type: "button", onclick: () => showList() }, "All lessons") : null));
}

// --- the list ---------------------------------------------------------------------------------------------------

function showList(focusOn = null) {
  lesson = null;
  asked += 1;
  remember();
  body.setAttribute("aria-busy", "false");
  body.replaceChildren(make("p", {}, "They are best taken in this order. Each one ends with a question."), make("ol", { class: "lesson-list" }, ...list.map((one) =>
    make("li", {}, make("button", { type: "button", "data-lesson": one.name, onclick: () => open(one.name, 1) }, make("span", {}, one.title), right.has(one.name) ? make("span", { class: "lesson-done" }, "✓ answered") : null)))));
  if (focusOn) body.querySelector(`[data-lesson="${focusOn}"]`)?.focus();
}

async function load() {
  try {
    list = await ask("/lessons");
  } catch (error) {
    failed(error, load);
    return;
  }
  const first = wanted;
  wanted = null;
  if (!first) return showList();
  byId("tab-lessons").click();
  return open(first.name, first.seed, first.scene, false);
}

// --- one lesson -------------------------------------------------------------------------------------------------

async function open(name, seed, scene = 0, takesFocus = true) {
  const mine = asked += 1;
  body.setAttribute("aria-busy", "true");
  const title = list.find((one) => one.name === name)?.title ?? name;
  const waiting = make("p", { role: "status", tabindex: -1 }, `The virtual bus of seed ${seed} runs: ${title}…`);
  body.replaceChildren(waiting);
  if (takesFocus) waiting.focus();
  try {
    const told = await ask(`/lessons/${encodeURIComponent(name)}`, { seed });
    if (mine !== asked) return;
    lesson = told;
    at = Math.min(scene, lesson.scenes.length);
    showLesson(takesFocus);
  } catch (error) {
    if (mine === asked) failed(error, () => open(name, seed, scene));
  }
}

function seedForm() {
  const field = make("input", { type: "number", name: "seed", min: 0, max: MOST_SEED, step: 1, value: lesson.seed, required: true, "aria-describedby": "lesson-seed-why" });
  const form = make("form", { class: "task-row lesson-seed" }, make("label", {}, "seed ", field), make("button", { type: "submit" }, "Run with this seed"),
    make("button", { type: "button", onclick: () => open(lesson.name, 1 + Math.floor(Math.random() * 9999), at) }, "Another seed"));
  form.onsubmit = (event) => { event.preventDefault(); open(lesson.name, field.valueAsNumber, at); };
  return form;
}

function showLesson(takesFocus) {
  const place = list.findIndex((one) => one.name === lesson.name);
  const heading = make("h3", { tabindex: -1, class: "lesson-title" }, lesson.title);
  const names = [...lesson.scenes.map((scene, number) => `Scene ${number + 1}: ${scene.title}`), "Question"];
  const strip = make("ol", { class: "lesson-strip" }, ...names.map((name, number) => make("li", {}, make("button", { type: "button", class: "small-button", title: name, "aria-label": name, onclick: () => turnTo(number) }, number < lesson.scenes.length ? number + 1 : "?"))));
  body.setAttribute("aria-busy", "false");
  body.replaceChildren(make("button", { type: "button", class: "small-button", onclick: () => showList(lesson.name) }, "◀ All lessons"), heading,
    make("p", { class: "small" }, `Lesson ${place + 1} of ${list.length}, on the virtual bus of seed ${lesson.seed}.`), make("nav", { "aria-label": "Scenes of this lesson" }, strip),
    make("article", { id: "lesson-scene" }), make("div", { id: "lesson-turn", class: "task-row" }), seedForm(), make("p", { id: "lesson-seed-why", class: "small" }, "Another seed gives other actuators, bits and questions."));
  turnTo(at, false);
  if (takesFocus) heading.focus();
}

function turnTo(number, takesFocus = true) {
  at = number;
  remember();
  const scene = lesson.scenes[at];
  const heading = make("h4", { tabindex: -1, class: "lesson-scene-title" }, scene?.title ?? "Question");
  byId("lesson-scene").replaceChildren(heading, ...(scene ? sceneParts(scene) : questionParts()));
  for (const [n, button] of [...body.querySelectorAll(".lesson-strip button")].entries()) button.setAttribute("aria-current", n === at ? "step" : "false");
  const next = list[list.findIndex((one) => one.name === lesson.name) + 1];
  const turns = [];
  if (at > 0) turns.push(make("button", { type: "button", onclick: () => turnTo(at - 1) }, "Back"));
  if (scene) turns.push(make("button", { type: "button", class: "primary", onclick: () => turnTo(at + 1) }, at + 1 < lesson.scenes.length ? "Next scene" : "To the question"));
  else if (next) turns.push(make("button", { type: "button", onclick: () => open(next.name, 1) }, `Next lesson: ${next.title}`));
  byId("lesson-turn").replaceChildren(...turns);
  if (takesFocus) heading.focus();
}

/** Everything of a scene below its title, in the order in which it is to be read. */
function sceneParts(scene) {
  const lastBoard = JSON.stringify(scene.steps?.at(-1).board);  // a search ends with its board: not shown twice
  return [
    ...paragraphs(scene.text), scene.scope && scope(scene.scope), scene.steps && player(scene.steps), scene.plot && plot(scene.plot),
    scene.table && JSON.stringify(scene.table) !== lastBoard && table(scene.table), ...paragraphs(scene.after ?? []),
  ].filter(Boolean);
}

// --- the question -----------------------------------------------------------------------------------------------

function questionParts() {
  const { name, seed, question } = lesson;
  const field = make("input", { type: "text", name: "answer", required: true, maxlength: 40, autocomplete: "off", autocapitalize: "off", spellcheck: "false", "aria-describedby": "lesson-how" });
  const verdict = make("div", { class: "lesson-verdict", role: "status" });
  const check = make("button", { type: "submit", class: "primary" }, "Check");
  const form = make("form", { class: "task-row" }, make("label", {}, "Your answer ", field), check);
  const tell = (state, sign, text, reason = "") => {
    verdict.dataset.verdict = state;
    verdict.replaceChildren(make("p", {}, make("b", {}, make("span", { class: "lesson-sign", "aria-hidden": "true" }, sign), ` ${text}`)), reason ? make("p", {}, reason) : "");
  };
  form.onsubmit = async (event) => {
    event.preventDefault();
    check.setAttribute("aria-disabled", "true");
    tell("asked", "…", "The virtual bus runs.");
    try {
      const told = await ask(`/lessons/${name}/check`, { seed, answer: field.value });
      if (told.right) right.add(name);
      tell(told.right ? "right" : "wrong", told.right ? "✓" : "✗", told.right ? `Right: ${told.given}.` : `Wrong: ${told.given}. It is ${told.truth}.`, `The virtual bus, run just now: ${told.reason}.`);
    } catch (error) {
      tell("refused", "!", error.message);
    }
    check.removeAttribute("aria-disabled");
  };
  return [...paragraphs([question.text]), make("p", { id: "lesson-how", class: "small" }, `Answer with ${question.how}.`), form, verdict];
}

let isBegun = false;
on("hello", () => {
  if (isBegun && list.length) return;
  isBegun = true;
  load();
});
on("no-token", () => failed(new Error("Lessons need the token too: open the URL that 'busproto serve' prints."), () => location.reload()));
addEventListener("hashchange", () => {
  const next = fromHash();
  if (next && list.length) open(next.name, next.seed, next.scene);
});
setText(body, "");
