// Messages, the newest first; refusals are also shown for a moment as an alert.
import { on } from "../base/connection.js";
import { alarm, byId, make, readAloud, setText } from "../base/dom.js";

const MOST = 60;
const SHOWN_MS = 6000;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let fading;

/**
 * @param {string} text
 * @param {boolean} isProblem
 */
function say(text, isProblem = false) {
  const list = byId("said");
  const time = new Date().toLocaleTimeString("en-GB");
  list.prepend(make("li", { class: isProblem ? "problem" : "" }, `${time}  ${text}`));
  while (list.children.length > MOST) list.lastElementChild?.remove();
}

/** @param {string} text */
function toast(text) {
  const box = byId("lost");
  setText(box, text);
  box.hidden = false;
  clearTimeout(fading);
  fading = setTimeout(() => {
    if (box.textContent === text) box.hidden = true;
  }, SHOWN_MS);
}

on("said", ({ text }) => {
  say(text);
  readAloud(text);
});
on("refused", ({ text }) => {
  say(text, true);
  alarm(text);
  toast(text);
});
on("arm", (body) => {
  if (body.reason) say(body.limp ? `${body.limp} (${body.reason})` : `ended: ${body.reason}`);
});
