// Small helpers: elements, text that changes only where it has to, words read aloud.
export const byId = (id) => document.getElementById(id);

export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

const SVG = "http://www.w3.org/2000/svg";
export function svg(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

export function shape(name) {
  return svg("svg", { class: "shape", "aria-hidden": "true" }, svg("use", { href: `#s-${name}` }));
}

export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

let saidAt = 0;
let waiting = "";
export function readAloud(text, now = false) {
  const say = () => { setText(byId("live"), waiting); saidAt = performance.now(); waiting = ""; };
  const idle = waiting === "";
  waiting = text;
  const rest = 2000 - (performance.now() - saidAt);
  if (now || rest <= 0) say();
  else if (idle) setTimeout(() => waiting && say(), rest);
}

export function alarm(text) { byId("alert").textContent = text; }
