// A search step by step: play, pause, back, on. Beside it what was found so far and what theory expects, and the tree.
import { make, setText, svg } from "./dom.js";
import { fitted, table, ticks } from "./lesson_scene.js";

const PACES = [["slow", 1600], ["plain", 800], ["quick", 250]];
const COURSE = { height: 150, left: 30, right: 10, top: 16, bottom: 30 };
const NODE = { across: 36, down: 36, radius: 11, top: 18 };

/** For each step how many are found so far, and how many theory expects then; and how many steps it expects in all. */
function courseOf(steps) {
  const courses = steps.map((step) => step.course);
  return {
    counts: courses.map((one) => one.found),
    levels: courses.map((one) => one.expected_found ?? null),
    total: courses[0].expected_queries ?? null,
    all: courses[0].among,
  };
}

function drawCourse(width, course, at) {
  const { height, left, right, top, bottom } = COURSE;
  const { counts, levels, total, all } = course;
  const last = Math.max(counts.length, Math.ceil(total ?? 0)) + 0.5;
  const x = (step) => left + (step / last) * (width - left - right);
  const y = (count) => top + (1 - count / (all || 1)) * (height - top - bottom);
  const picture = svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `Found after ${at + 1} of ${counts.length} steps: ${counts[at]} of ${all}` });
  for (const count of ticks(0, all, 4)) if (Number.isInteger(count)) picture.append(svg("line", { x1: left, x2: width - right, y1: y(count), y2: y(count), class: "grid" }), svg("text", { x: left - 5, y: y(count) + 4, class: "tick end" }, count));
  for (const step of ticks(0, last, width < 420 ? 5 : 10)) if (Number.isInteger(step)) picture.append(svg("text", { x: x(step), y: height - 16, class: "tick middle" }, step));
  picture.append(svg("text", { x: left, y: 11, class: "tick" }, "found"), svg("text", { x: width - right, y: height - 3, class: "tick end" }, total === null ? "step" : "query"));
  if (total !== null) picture.append(svg("line", { x1: x(total), x2: x(total), y1: top, y2: y(0), class: "lesson-theory" }), svg("text", { x: x(total) - 5, y: y(0) - 6, class: "lesson-theory-name end" }, `theory, mean: ${total.toFixed(1)}`));
  let path = `M${x(0)} ${y(0)}`;
  for (let step = 0; step <= at; step += 1) {
    if (levels[step] !== null) picture.append(svg("line", { x1: x(step), x2: x(step + 1), y1: y(Math.min(all, levels[step])), y2: y(Math.min(all, levels[step])), class: "lesson-theory" }));
    path += `H${x(step + 1)}V${y(counts[step])}`;
  }
  picture.append(svg("path", { d: path, class: "lesson-found" }), svg("circle", { cx: x(at + 1), cy: y(counts[at]), r: 4, class: "lesson-found-end" }));
  return picture;
}

// --- the tree ---------------------------------------------------------------------------------------------------

/** The tree that these steps go through, null where they are of another kind: a node for each prefix. */
function treeOf(steps) {
  const nodes = new Map();
  for (const [step, { node }] of steps.entries()) {
    if (!node) return null;
    nodes.set(node.prefix, { prefix: node.prefix, step, kind: node.came, name: node.name ?? "" });
  }
  let leaves = 0;
  let depth = 0;
  const place = (prefix) => {
    const node = nodes.get(prefix);
    const below = ["0", "1"].map((bit) => prefix + bit).filter((one) => nodes.has(one)).map(place);
    node.at = below.length ? below.reduce((sum, one) => sum + one, 0) / below.length : leaves++;
    depth = Math.max(depth, prefix.length);
    return node.at;
  };
  place("");
  return { nodes: [...nodes.values()], byPrefix: nodes, leaves, depth };
}

const SIGNS = { broken: "×", none: "–" };
function drawTree(tree, now) {
  const width = (tree.leaves + 0.5) * NODE.across, height = NODE.top * 2 + tree.depth * NODE.down;
  const x = (node) => (node.at + 0.75) * NODE.across, y = (node) => NODE.top + node.prefix.length * NODE.down;
  const shown = tree.nodes.filter((node) => node.step <= now);
  const told = shown.map((node) => `${node.prefix || "everybody"}: ${{ broken: "broken", none: "silence", one: node.name }[node.kind]}`).join("; ");
  const picture = svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `Tree so far. ${told}` });
  for (const node of shown) {
    if (!node.prefix) continue;
    const above = tree.byPrefix.get(node.prefix.slice(0, -1));
    picture.append(svg("line", { x1: x(above), y1: y(above), x2: x(node), y2: y(node), class: "lesson-branch" }));
    picture.append(svg("text", { x: (x(above) + x(node)) / 2 + (node.prefix.endsWith("0") ? -8 : 8), y: (y(above) + y(node)) / 2 + 3, class: "tick middle" }, node.prefix.at(-1)));
  }
  for (const node of shown) {
    const group = svg("g", { class: `lesson-node ${node.kind} ${node.step === now ? "now" : ""}`, transform: `translate(${x(node)} ${y(node)})` });
    group.append(svg("circle", { r: NODE.radius }), svg("text", { y: 4.5 }, node.name || SIGNS[node.kind]));
    if (node.step === now) group.append(svg("circle", { r: NODE.radius + 4, class: "lesson-halo" }));
    picture.append(group);
  }
  return { picture, at: x(tree.nodes.find((node) => node.step === now)) };
}

// --- the player -------------------------------------------------------------------------------------------------

export function player(steps) {
  const course = courseOf(steps);
  const tree = treeOf(steps);
  const last = steps.length - 1;
  let now = 0;
  let timer = 0;
  const button = (name, act) => make("button", { type: "button", onclick: act, "data-player": name, "aria-label": { back: "Step back", on: "Step on" }[name] });
  const back = button("back", () => { pause(); go(now - 1); }), play = button("play", () => (timer ? pause() : begin())), on = button("on", () => { pause(); go(now + 1); });
  back.append("◀ Step");
  on.append("Step ▶");
  const slider = make("input", { type: "range", min: 1, max: steps.length, value: 1, "aria-label": "Step of the search" });
  const pace = make("select", { "aria-label": "Pace" }, ...PACES.map(([name, ms]) => make("option", { value: ms, selected: name === "plain" }, name)));
  const count = make("span", { class: "lesson-count" }), said = make("p", { class: "lesson-said", "aria-live": "polite" }), note = make("p", { class: "lesson-note" });
  const treeBox = make("div", { class: "scroll lesson-tree", tabindex: 0, role: "group", "aria-label": "Tree; scrolls sideways where it is wide" });
  const courseBox = make("div", { class: "lesson-course" });
  const board = make("div");
  const log = make("ol", { class: "lesson-log", tabindex: 0, "aria-label": "All steps so far" });
  const whole = make("figure", { class: "lesson-player", role: "group", "aria-label": "The search, step by step" },
    make("div", { class: "task-row lesson-controls" }, back, play, on, pace), make("div", { class: "lesson-slide" }, slider, count),
    said, note, courseBox, make("p", { class: "small" }, make("span", { class: "lesson-key found" }), " found so far ", make("span", { class: "lesson-key theory" }), " theory"),
    tree ? treeBox : null, tree ? make("p", { class: "small" }, "× several answer, broken: split. A letter: found. – silence. Left is a 0 behind, right a 1.") : null, board, log);

  function pause() {
    clearTimeout(timer);
    timer = 0;
    tellPlay();
  }
  function begin() {
    if (now === last) go(0);
    timer = setTimeout(tick, Number(pace.value));
    tellPlay();
  }
  function tick() {
    if (!whole.isConnected || whole.offsetParent === null) return pause();  // nobody sees it
    go(now + 1);
    if (now === last) return pause();
    timer = setTimeout(tick, Number(pace.value));
    return undefined;
  }
  function tellPlay() {
    setText(play, timer ? "❚❚ Pause" : now === last ? "↺ Play again" : "▶ Play");
    said.setAttribute("aria-live", timer ? "off" : "polite");  // read aloud by hand only, or it would never end
  }
  const drawn = fitted(courseBox, (width) => courseBox.replaceChildren(drawCourse(width, course, now)));
  let middle = 0;
  const centre = () => { treeBox.scrollLeft = middle - treeBox.clientWidth / 2; };
  fitted(treeBox, centre);
  function go(to) {
    const before = now;
    now = Math.min(last, Math.max(0, to));
    const { text, note: cost, board: stands } = steps[now];
    back.setAttribute("aria-disabled", String(now === 0));  // not `disabled`: the focus would be lost
    on.setAttribute("aria-disabled", String(now === last));
    slider.value = now + 1;
    slider.setAttribute("aria-valuetext", `${now + 1} of ${steps.length}: ${text.trim()}`);
    setText(count, `step ${now + 1} of ${steps.length}`);
    setText(said, text.trim());
    setText(note, `Found ${course.counts[now]} of ${course.all}. ${cost}.`);
    drawn.again();
    if (tree) {
      const { picture, at } = drawTree(tree, now);
      treeBox.replaceChildren(picture);
      middle = at;
      centre();
    }
    const old = new Set((steps[now - 1]?.board.rows ?? []).map((row) => JSON.stringify(row)));
    const isOld = (row) => old.has(JSON.stringify(row));
    board.replaceChildren(table(stands, (row) => stands.rows.some(isOld) && !isOld(row)));  // none where all are others
    if (now === before + 1) log.append(line(now));
    else log.replaceChildren(...steps.slice(0, now + 1).map((_, step) => line(step)));
    log.scrollTop = log.scrollHeight;
    tellPlay();
  }
  const line = (step) => make("li", {}, steps[step].text);
  slider.oninput = () => { pause(); go(Number(slider.value) - 1); };
  whole.onkeydown = (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step || ["INPUT", "SELECT"].includes(event.target.tagName) || event.target === treeBox) return;
    event.preventDefault();
    pause();
    go(now + step);
  };
  go(0);
  return whole;
}
