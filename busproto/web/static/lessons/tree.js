// The tree of a search: a node for each prefix that was asked.
import { svg } from "../base/dom.js";
/** @import { LessonNode, LessonStep } from "../base/messages.js" */

const ACROSS = 36;
const DOWN = 36;
const RADIUS = 11;
const TOP = 18;
const SIGNS = { broken: "×", none: "–", one: "" };

/**
 * @typedef {object} Node
 * @property {string} prefix
 * @property {number} step at which it was asked
 * @property {LessonNode["came"]} kind
 * @property {string} name
 * @property {number} at where it stands, in leaves
 */
/** @typedef {{ nodes: Node[], byPrefix: Map<string, Node>, leaves: number, depth: number }} Tree */

/**
 * Place of each node: a leaf after the leaves before, any other node over the middle of those below it.
 * @param {Map<string, Node>} nodes
 */
function place(nodes) {
  let leaves = 0;
  const placed = (/** @type {Node} */ node) => {
    const below = ["0", "1"].flatMap((bit) => nodes.get(node.prefix + bit) ?? []).map(placed);
    node.at = below.length ? below.reduce((sum, one) => sum + one.at, 0) / below.length : leaves++;
    return node;
  };
  const root = nodes.get("");
  if (root) placed(root);
  return leaves;
}

/**
 * The tree that these steps go through, null for another kind of search.
 * @param {LessonStep[]} steps
 * @returns {Tree | null}
 */
export function treeOf(steps) {
  /** @type {Map<string, Node>} */
  const byPrefix = new Map();
  for (const [step, { node }] of steps.entries()) {
    if (!node) return null;
    byPrefix.set(node.prefix, { prefix: node.prefix, step, kind: node.came, name: node.name ?? "", at: 0 });
  }
  const nodes = [...byPrefix.values()];
  const depth = Math.max(...nodes.map((node) => node.prefix.length));
  return { nodes, byPrefix, leaves: place(byPrefix), depth };
}

/** @param {Node} node */
const x = (node) => (node.at + 0.75) * ACROSS;
/** @param {Node} node */
const y = (node) => TOP + node.prefix.length * DOWN;

/**
 * @param {Node} node
 * @param {Map<string, Node>} byPrefix
 */
function branch(node, byPrefix) {
  const above = byPrefix.get(node.prefix.slice(0, -1));
  if (!node.prefix || !above) return [];
  const aside = node.prefix.endsWith("0") ? -8 : 8;
  const middle = { x: (x(above) + x(node)) / 2 + aside, y: (y(above) + y(node)) / 2 + 3, class: "tick middle" };
  return [
    svg("line", { x1: x(above), y1: y(above), x2: x(node), y2: y(node), class: "lesson-branch" }),
    svg("text", middle, node.prefix.slice(-1)),
  ];
}

/**
 * @param {Node} node
 * @param {boolean} isNow
 */
function drawnNode(node, isNow) {
  const marks = {
    class: `lesson-node ${node.kind} ${isNow ? "now" : ""}`,
    transform: `translate(${x(node)} ${y(node)})`,
  };
  const text = svg("text", { y: 4.5 }, node.name || SIGNS[node.kind]);
  const halo = isNow ? svg("circle", { r: RADIUS + 4, class: "lesson-halo" }) : null;
  return svg("g", marks, svg("circle", { r: RADIUS }), text, halo);
}

/** @param {Node[]} nodes */
function spoken(nodes) {
  const words = { broken: "broken", none: "silence" };
  const told = nodes.map(({ prefix, kind, name }) => `${prefix || "all"}: ${kind === "one" ? name : words[kind]}`);
  return `Tree so far. ${told.join("; ")}`;
}

/**
 * The tree as known at a step, and the place of that step's node.
 * @param {Tree} tree
 * @param {number} now
 */
export function drawTree(tree, now) {
  const [width, height] = [(tree.leaves + 0.5) * ACROSS, TOP * 2 + tree.depth * DOWN];
  const shown = tree.nodes.filter((node) => node.step <= now);
  const branches = shown.flatMap((node) => branch(node, tree.byPrefix));
  const nodes = shown.map((node) => drawnNode(node, node.step === now));
  const box = { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": spoken(shown) };
  const current = shown.find((node) => node.step === now);
  return { picture: svg("svg", box, ...branches, ...nodes), at: current ? x(current) : 0 };
}
