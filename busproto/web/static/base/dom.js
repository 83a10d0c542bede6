// Small helpers: elements, text that is set only where it changes, words read aloud.

/** @typedef {string | number | boolean | null | undefined | ((event: any) => unknown)} Attribute */
/** @typedef {Node | string | null | undefined} Child */

/**
 * An element of index.html.
 * @param {string} id
 */
export function byId(id) {
  const element = document.getElementById(id);
  if (!element) throw new Error(`the page has no '${id}'`);
  return element;
}

/**
 * As `byId`, of a known kind.
 * @template {HTMLElement} T
 * @param {string} id
 * @param {new () => T} kind
 */
export function byIdAs(id, kind) {
  const element = byId(id);
  if (!(element instanceof kind)) throw new Error(`'${id}' is no ${kind.name}`);
  return element;
}

/**
 * @param {Element} element
 * @param {Record<string, Attribute>} attributes
 */
function putOn(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, String(value));
  }
}

/** @param {Child[]} children */
const present = (children) => children.filter((child) => child !== null && child !== undefined);

/**
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {Record<string, Attribute>} attributes
 * @param {...Child} children
 */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  putOn(element, attributes);
  element.append(...present(children));
  return element;
}

const SVG = "http://www.w3.org/2000/svg";
/**
 * @template {keyof SVGElementTagNameMap} T
 * @param {T} tag
 * @param {Record<string, Attribute>} attributes
 * @param {...(Child | number)} children
 */
export function svg(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  putOn(element, attributes);
  element.append(...present(children.map((child) => (typeof child === "number" ? String(child) : child))));
  return element;
}

/**
 * A button that does not submit a form.
 * @param {string} text
 * @param {(event: any) => unknown} onclick
 * @param {Record<string, Attribute>} more
 */
export const button = (text, onclick, more = {}) => make("button", { type: "button", onclick, ...more }, text);

/** @param {...Child} children */
export const taskRow = (...children) => make("div", { class: "task-row" }, ...children);

/** @param {string} name */
export function shape(name) {
  return svg("svg", { class: "shape", "aria-hidden": "true" }, svg("use", { href: `#s-${name}` }));
}

/**
 * @param {Element} element
 * @param {string} text
 */
export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

let saidAt = 0;
let waiting = "";

function say() {
  setText(byId("live"), waiting);
  saidAt = performance.now();
  waiting = "";
}

/**
 * @param {string} text
 * @param {boolean} now at once, else no oftener than every two seconds
 */
export function readAloud(text, now = false) {
  const idle = waiting === "";
  waiting = text;
  const rest = 2000 - (performance.now() - saidAt);
  if (now || rest <= 0) say();
  else if (idle) setTimeout(() => waiting && say(), rest);
}

/** @param {string} text */
export function alarm(text) {
  byId("alert").textContent = text;
}
