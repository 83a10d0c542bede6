// A slider for a demand, which sends no oftener than the line can use, and its way back to limp.
import { button, make, setText } from "../base/dom.js";
import { isBusy, operates, state } from "../base/state.js";

const SEND_MS = 50;

/**
 * @param {number} value
 * @param {number} digits
 */
export const number = (value, digits) => value.toFixed(digits).replace("-", "−");

/**
 * @param {string} label
 * @param {(share: number | null) => unknown} change given -1..+1, null for limp
 */
export function slider(label, change) {
  /** @type {ReturnType<typeof setTimeout> | null} */
  let waiting = null;
  let sentAt = 0;
  const input = make("input", { type: "range", min: -100, max: 100, step: 1, value: 0, "aria-label": label });
  const out = make("output", {}, "none");
  const push = () => {
    waiting = null;
    sentAt = performance.now();
    change(Number(input.value) / 100);
  };
  input.oninput = () => {
    setText(out, `${number(Number(input.value), 0)} %`);
    if (waiting === null) waiting = setTimeout(push, Math.max(0, SEND_MS - (performance.now() - sentAt)));
  };
  const off = button("limp", () => change(null), { class: "small-button", "aria-label": `${label}: none, limp` });
  /** @param {number | undefined} fraction undefined where there is no demand */
  function draw(fraction) {
    const may = state.armed && operates() && !isBusy();
    const isNone = fraction === undefined;
    const isHeld = document.activeElement === input && (may || !isNone); // by a hand: it stays where that has it
    input.disabled = !may;
    off.disabled = !may || isNone;
    if (!isHeld) input.value = String(Math.round((fraction ?? 0) * 100));
    setText(out, isNone ? "none" : `${number(fraction * 100, 0)} %`);
  }
  return { box: make("div", { class: "demand" }, input, out, off), input, draw };
}
