// Lessons: a list from /lessons, each with steps that may have a button. Anyone may add files to web/lessons.
import { byId, make } from "./dom.js";
import { on, send } from "./connection.js";
import { operates } from "./state.js";

async function load() {
  const box = byId("lessons-body");
  const answer = await fetch("/lessons").catch(() => null);
  const lessons = answer?.ok ? await answer.json() : [];
  if (!lessons.length) {
    box.replaceChildren(make("p", {}, "There are no lessons here."));
    return;
  }
  box.replaceChildren(...lessons.map((lesson, number) => make("details", { class: "lesson", open: number === 0 }, make("summary", {}, lesson.title),
    make("p", {}, lesson.about), lesson.scenario ? make("p", { class: "small" }, `For the virtual bus "${lesson.scenario}".`) : null,
    make("ol", {}, ...lesson.steps.map((step) => make("li", {}, make("p", {}, step.text), step.do ? make("button", { class: "small-button", onclick: () => operates() && send({ do: step.do, ...step.with }) }, "Do it") : null))))));
}
on("hello", load);
