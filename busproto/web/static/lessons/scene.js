// Paragraphs and tables of a lesson's scene, and drawings that fit their box.
import { make } from "../base/dom.js";
/** @import { LessonTable } from "../base/messages.js" */

const HEX = /^([0-9a-f]{2} )+[0-9a-f]{2}( \.\.\.)?$/;
const BITS = /^[01]{4}[01 ]*$/;
const SHORT_CHARS = 10;

/**
 * Draws anew when the width of the box changes.
 * @param {HTMLElement} box
 * @param {(width: number) => void} draw
 */
export function fitted(box, draw) {
  let width = 0;
  const watch = new ResizeObserver(() => {
    const now = Math.floor(box.clientWidth);
    if (!now || now === width) return;
    width = now;
    draw(width);
  });
  watch.observe(box);
  return { again: () => (width ? draw(width) : undefined) };
}

/** @param {string[]} texts those that begin with "- " become points of a list */
export function paragraphs(texts) {
  /** @type {HTMLElement[]} */
  const made = [];
  for (const text of texts) {
    if (!text.startsWith("- ")) {
      made.push(make("p", HEX.test(text) ? { class: "lesson-hex" } : {}, text));
      continue;
    }
    if (made.at(-1)?.tagName !== "UL") made.push(make("ul", { class: "lesson-points" }));
    made.at(-1)?.append(make("li", {}, text.slice(2)));
  }
  return made;
}

/** @param {string} text */
function kindOf(text) {
  if (HEX.test(text)) return "lesson-hex";
  if (BITS.test(text)) return "lesson-bits";
  return text.length <= SHORT_CHARS ? "lesson-short" : null;
}

/**
 * @param {"th" | "td"} tag
 * @param {string} text
 * @param {Record<string, string>} more
 */
const cell = (tag, text, more = {}) => make(tag, { ...more, class: kindOf(text) }, text);

/** @param {string[]} heads */
function headOf(heads) {
  if (!heads.some(Boolean)) return null;
  const cells = heads.map((text) => (text ? make("th", { scope: "col" }, text) : make("td")));
  return make("thead", {}, make("tr", {}, ...cells));
}

/**
 * @param {LessonTable} table
 * @param {(row: string[]) => boolean} isNew
 */
export function table({ heads, rows }, isNew = () => false) {
  const body = rows.map((row) => {
    const [first, ...rest] = row;
    const cells = [cell("th", first, { scope: "row" }), ...rest.map((text) => cell("td", text))];
    return make("tr", { class: isNew(row) ? "lesson-new" : null }, ...cells);
  });
  const whole = make("table", {}, headOf(heads), make("tbody", {}, ...body));
  return make("div", { class: "scroll lesson-table" }, whole);
}
