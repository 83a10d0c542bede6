// The question at the end of a lesson, and the verdict on an answer.
import { make } from "../base/dom.js";
import { ask } from "./asking.js";
import { paragraphs } from "./scene.js";
/** @import { Lesson, LessonVerdict } from "../base/messages.js" */

function verdictBox() {
  const box = make("div", { class: "lesson-verdict", role: "status" });
  /** @type {(state: string, sign: string, text: string, reason?: string) => void} */
  const tell = (state, sign, text, reason = "") => {
    box.dataset.verdict = state;
    const mark = make("span", { class: "lesson-sign", "aria-hidden": "true" }, sign);
    const parts = [make("p", {}, make("b", {}, mark, ` ${text}`))];
    if (reason) parts.push(make("p", {}, reason));
    box.replaceChildren(...parts);
  };
  return { box, tell };
}

/**
 * @param {Lesson} lesson
 * @param {() => void} whenRight
 */
export function questionParts({ name, seed, question }, whenRight) {
  const marks = { required: true, maxlength: 40, autocomplete: "off", autocapitalize: "off", spellcheck: "false" };
  const field = make("input", { type: "text", name: "answer", ...marks, "aria-describedby": "lesson-how" });
  const { box, tell } = verdictBox();
  const check = make("button", { type: "submit", class: "primary" }, "Check");
  const form = taskForm(make("label", {}, "Your answer ", field), check);
  const judged = async () => {
    const told = /** @type {LessonVerdict} */ (await ask(`/lessons/${name}/check`, { seed, answer: field.value }));
    if (told.right) whenRight();
    const text = told.right ? `Right: ${told.given}.` : `Wrong: ${told.given}. It is ${told.truth}.`;
    const reason = `The virtual bus, run just now: ${told.reason}.`;
    tell(told.right ? "right" : "wrong", told.right ? "✓" : "✗", text, reason);
  };
  form.onsubmit = async (event) => {
    event.preventDefault();
    check.setAttribute("aria-disabled", "true");
    tell("asked", "…", "The virtual bus runs.");
    await judged().catch((error) => tell("refused", "!", error.message));
    check.removeAttribute("aria-disabled");
  };
  const how = make("p", { id: "lesson-how", class: "small" }, `Answer with ${question.how}.`);
  return [...paragraphs([question.text]), how, form, box];
}

/** @param {...HTMLElement} parts */
function taskForm(...parts) {
  return make("form", { class: "task-row" }, ...parts);
}
