// Lessons, on virtual buses of their own. The scenes come from the server, which computes them anew.
import { on } from "../base/connection.js";
import { button, byId, make, taskRow } from "../base/dom.js";
import { ask } from "./asking.js";
import { plot } from "./plot.js";
import { questionParts } from "./question.js";
import { paragraphs, table } from "./scene.js";
import { scope } from "./scope.js";
import { player } from "./search.js";
/** @import { Lesson, LessonScene } from "../base/messages.js" */

/** @typedef {{ name: string, seed: number, scene: number }} Place */

const MOST_SEED = 2 ** 31 - 1;
const SEED_TEXT = "Another seed gives other actuators, bits and questions.";
const body = byId("lessons-body");
/** @type {Set<string>} */
const right = new Set();
/** @type {{ name: string, title: string }[]} */
let list = [];
/** @type {Lesson | null} */
let lesson = null;
let at = 0;
let asked = 0;
let wanted = fromHash();

// --- the address ------------------------------------------------------------------------------------------------

/** @returns {Place | null} */
function fromHash() {
  const given = new URLSearchParams(location.hash.slice(1));
  const name = given.get("lesson");
  const seed = Number(given.get("seed") ?? 1);
  const scene = Number.parseInt(given.get("scene") ?? "1", 10) - 1;
  return name ? { name, seed: Number.isInteger(seed) ? seed : 1, scene: Math.max(0, scene || 0) } : null;
}

/** The address names the lesson, so that a reload returns to it; the token has been removed from it by then. */
function remember() {
  if (new URLSearchParams(location.hash.slice(1)).has("token")) return;
  const isShown = lesson && document.body.dataset.tab === "lessons";
  const here = isShown ? `#lesson=${lesson?.name}&seed=${lesson?.seed}&scene=${at + 1}` : "";
  if (location.hash !== here) history.replaceState(null, "", location.pathname + here);
}
new MutationObserver(remember).observe(document.body, { attributes: true, attributeFilter: ["data-tab"] });

// --- the list ---------------------------------------------------------------------------------------------------

/**
 * @param {Error} error
 * @param {() => void} again
 */
function failed(error, again) {
  body.setAttribute("aria-busy", "false");
  const all = list.length ? button("All lessons", () => showList()) : null;
  const text = make("p", { class: "problem", role: "alert" }, error.message);
  body.replaceChildren(text, taskRow(button("Try again", again), all));
}

/** @param {{ name: string, title: string }} one */
function listRow({ name, title }) {
  const done = right.has(name) ? make("span", { class: "lesson-done" }, "✓ answered") : null;
  const go = button("", () => open({ name, seed: 1, scene: 0 }), { "data-lesson": name });
  go.append(make("span", {}, title), ...(done ? [done] : []));
  return make("li", {}, go);
}

/** @param {string | null} focusOn */
function showList(focusOn = null) {
  lesson = null;
  asked += 1;
  remember();
  body.setAttribute("aria-busy", "false");
  const text = "They are best taken in this order. Each one ends with a question.";
  body.replaceChildren(make("p", {}, text), make("ol", { class: "lesson-list" }, ...list.map(listRow)));
  if (focusOn) /** @type {HTMLElement | null} */ (body.querySelector(`[data-lesson="${focusOn}"]`))?.focus();
}

async function load() {
  try {
    list = await ask("/lessons");
  } catch (error) {
    failed(/** @type {Error} */ (error), load);
    return;
  }
  const first = wanted;
  wanted = null;
  if (!first) {
    showList();
    return;
  }
  byId("tab-lessons").click();
  await open(first, false);
}

// --- one lesson -------------------------------------------------------------------------------------------------

/**
 * @param {Place} place
 * @param {boolean} takesFocus
 */
async function open(place, takesFocus = true) {
  const { name, seed, scene } = place;
  asked += 1;
  const mine = asked;
  body.setAttribute("aria-busy", "true");
  const title = list.find((one) => one.name === name)?.title ?? name;
  const waiting = make("p", { role: "status", tabindex: -1 }, `The virtual bus of seed ${seed} runs: ${title}…`);
  body.replaceChildren(waiting);
  if (takesFocus) waiting.focus();
  try {
    const told = /** @type {Lesson} */ (await ask(`/lessons/${encodeURIComponent(name)}`, { seed }));
    if (mine !== asked) return;
    lesson = told;
    at = Math.min(scene, told.scenes.length);
    showLesson(told, takesFocus);
  } catch (error) {
    if (mine === asked) failed(/** @type {Error} */ (error), () => open(place));
  }
}

/** @param {Lesson} shown */
function seedForm({ name, seed }) {
  const range = { min: 0, max: MOST_SEED, step: 1, value: seed, required: true };
  const field = make("input", { type: "number", name: "seed", ...range, "aria-describedby": "lesson-seed-why" });
  const run = make("button", { type: "submit" }, "Run with this seed");
  const another = () => open({ name, seed: 1 + Math.floor(Math.random() * 9999), scene: at });
  const parts = [make("label", {}, "seed ", field), run, button("Another seed", another)];
  const form = make("form", { class: "task-row lesson-seed" }, ...parts);
  form.onsubmit = (event) => {
    event.preventDefault();
    open({ name, seed: field.valueAsNumber, scene: at });
  };
  return form;
}

/** @param {Lesson} shown */
function strip(shown) {
  const names = [...shown.scenes.map((scene, number) => `Scene ${number + 1}: ${scene.title}`), "Question"];
  const rows = names.map((name, number) => {
    const marks = { class: "small-button", title: name, "aria-label": name };
    const text = number < shown.scenes.length ? String(number + 1) : "?";
    return make(
      "li",
      {},
      button(text, () => turnTo(shown, number), marks),
    );
  });
  return make("nav", { "aria-label": "Scenes of this lesson" }, make("ol", { class: "lesson-strip" }, ...rows));
}

/**
 * @param {Lesson} shown
 * @param {boolean} takesFocus
 */
function showLesson(shown, takesFocus) {
  const place = list.findIndex((one) => one.name === shown.name);
  const heading = make("h3", { tabindex: -1, class: "lesson-title" }, shown.title);
  const where = `Lesson ${place + 1} of ${list.length}, on the virtual bus of seed ${shown.seed}.`;
  body.setAttribute("aria-busy", "false");
  body.replaceChildren(
    button("◀ All lessons", () => showList(shown.name), { class: "small-button" }),
    heading,
    make("p", { class: "small" }, where),
    strip(shown),
    make("article", { id: "lesson-scene" }),
    make("div", { id: "lesson-turn", class: "task-row" }),
    seedForm(shown),
    make("p", { id: "lesson-seed-why", class: "small" }, SEED_TEXT),
  );
  turnTo(shown, at, false);
  if (takesFocus) heading.focus();
}

/** @param {Lesson} shown */
function turns(shown) {
  const next = list[list.findIndex((one) => one.name === shown.name) + 1];
  const found = at > 0 ? [button("Back", () => turnTo(shown, at - 1))] : [];
  if (at < shown.scenes.length) {
    const text = at + 1 < shown.scenes.length ? "Next scene" : "To the question";
    found.push(button(text, () => turnTo(shown, at + 1), { class: "primary" }));
  } else if (next) {
    found.push(button(`Next lesson: ${next.title}`, () => open({ name: next.name, seed: 1, scene: 0 })));
  }
  return found;
}

/**
 * @param {Lesson} shown
 * @param {number} number
 * @param {boolean} takesFocus
 */
function turnTo(shown, number, takesFocus = true) {
  at = number;
  remember();
  const scene = shown.scenes[at];
  const heading = make("h4", { tabindex: -1, class: "lesson-scene-title" }, scene?.title ?? "Question");
  const parts = scene ? sceneParts(scene) : questionParts(shown, () => right.add(shown.name));
  byId("lesson-scene").replaceChildren(heading, ...parts);
  for (const [n, one] of [...body.querySelectorAll(".lesson-strip button")].entries()) {
    one.setAttribute("aria-current", n === at ? "step" : "false");
  }
  byId("lesson-turn").replaceChildren(...turns(shown));
  if (takesFocus) heading.focus();
}

/**
 * The content of a scene below its title, in reading order.
 * @param {LessonScene} scene
 */
function sceneParts(scene) {
  const lastBoard = JSON.stringify(scene.steps?.at(-1)?.board); // a search ends with its board: not shown twice
  const isShown = JSON.stringify(scene.table) === lastBoard;
  return [
    ...paragraphs(scene.text),
    ...(scene.scope ? [scope(scene.scope)] : []),
    ...(scene.steps ? [player(scene.steps)] : []),
    ...(scene.plot ? [plot(scene.plot)] : []),
    ...(scene.table && !isShown ? [table(scene.table)] : []),
    ...paragraphs(scene.after ?? []),
  ];
}

let isBegun = false;
on("hello", () => {
  if (isBegun && list.length) return;
  isBegun = true;
  load();
});
on("no-token", () => {
  const text = "Lessons need the token too: open the URL that 'busproto serve' prints.";
  failed(new Error(text), () => location.reload());
});
addEventListener("hashchange", () => {
  const next = fromHash();
  if (next && list.length) open(next);
});
body.replaceChildren();
