// A search step by step: play, pause, back, on; with the number found, the expectation of theory, and the tree.
import { make, setText, taskRow } from "../base/dom.js";
import { courseOf, drawCourse } from "./course.js";
import { fitted, table } from "./scene.js";
import { drawTree, treeOf } from "./tree.js";
/** @import { LessonStep } from "../base/messages.js" */

/** @type {[string, number][]} */
const PACES = [
  ["slow", 1600],
  ["plain", 800],
  ["quick", 250],
];
const TREE_TEXT = "× several answer, broken: split. A letter: found. – silence. Left is a 0 behind, right a 1.";
const TREE_LABEL = "Tree; scrolls sideways where it is wide";

/**
 * @param {string} name
 * @param {string} text
 * @param {string | null} label
 */
function control(name, text, label = null) {
  return make("button", { type: "button", "data-player": name, "aria-label": label }, text);
}

/** @param {number} steps how many */
function controls(steps) {
  const paces = PACES.map(([name, ms]) => make("option", { value: ms, selected: name === "plain" }, name));
  const range = { type: "range", min: 1, max: steps, value: 1 };
  return {
    back: control("back", "◀ Step", "Step back"),
    play: control("play", ""),
    on: control("on", "Step ▶", "Step on"),
    slider: make("input", { ...range, "aria-label": "Step of the search" }),
    pace: make("select", { "aria-label": "Pace" }, ...paces),
    count: make("span", { class: "lesson-count" }),
    said: make("p", { class: "lesson-said", "aria-live": "polite" }),
    note: make("p", { class: "lesson-note" }),
  };
}

function key() {
  const mark = (/** @type {string} */ name) => make("span", { class: `lesson-key ${name}` });
  return make("p", { class: "small" }, mark("found"), " found so far ", mark("theory"), " theory");
}

/**
 * The views of a step besides its text: the course, the tree, the board.
 * @param {LessonStep[]} steps
 */
function pictures(steps) {
  const course = courseOf(steps);
  const tree = treeOf(steps);
  const courseBox = make("div", { class: "lesson-course" });
  const treeBox = make("div", { class: "scroll lesson-tree", tabindex: 0, role: "group", "aria-label": TREE_LABEL });
  const board = make("div");
  let shown = 0;
  let middle = 0;
  const centre = () => {
    treeBox.scrollLeft = middle - treeBox.clientWidth / 2;
  };
  const drawn = fitted(courseBox, (width) => courseBox.replaceChildren(drawCourse(width, course, shown)));
  fitted(treeBox, centre);
  /** @param {number} now */
  function show(now) {
    shown = now;
    drawn.again();
    if (tree) {
      const { picture, at } = drawTree(tree, now);
      treeBox.replaceChildren(picture);
      middle = at;
      centre();
    }
    board.replaceChildren(boardAt(steps, now));
  }
  const trees = tree ? [treeBox, make("p", { class: "small" }, TREE_TEXT)] : [];
  return { parts: [courseBox, key(), ...trees, board], treeBox, course, show };
}

/**
 * The board of a step; new rows are marked, unless all are new.
 * @param {LessonStep[]} steps
 * @param {number} now
 */
function boardAt(steps, now) {
  const stands = steps[now].board;
  const before = now ? steps[now - 1].board.rows : [];
  const old = new Set(before.map((row) => JSON.stringify(row)));
  const isOld = (/** @type {string[]} */ row) => old.has(JSON.stringify(row));
  return table(stands, (row) => stands.rows.some(isOld) && !isOld(row));
}

/** All steps so far, as lines. */
class Log {
  /** @param {LessonStep[]} steps */
  constructor(steps) {
    this.steps = steps;
    this.box = make("ol", { class: "lesson-log", tabindex: 0, "aria-label": "All steps so far" });
  }

  /** @param {number} to */
  show(to) {
    const lines = this.steps.slice(0, to + 1).map(({ text }) => make("li", {}, text));
    if (this.box.children.length === to) this.box.append(...lines.slice(-1));
    else this.box.replaceChildren(...lines);
    this.box.scrollTop = this.box.scrollHeight;
  }
}

class Player {
  /** @param {LessonStep[]} steps */
  constructor(steps) {
    this.steps = steps;
    this.last = steps.length - 1;
    this.now = 0;
    /** @type {ReturnType<typeof setTimeout> | null} */
    this.timer = null;
    this.controls = controls(steps.length);
    this.pictures = pictures(steps);
    this.log = new Log(steps);
    this.box = this.laidOut();
    this.listen();
    this.go(0);
  }

  laidOut() {
    const { back, play, on, pace, slider, count, said, note } = this.controls;
    const row = taskRow(back, play, on, pace);
    row.classList.add("lesson-controls");
    const slide = make("div", { class: "lesson-slide" }, slider, count);
    const marks = { class: "lesson-player", role: "group", "aria-label": "The search, step by step" };
    return make("figure", marks, row, slide, said, note, ...this.pictures.parts, this.log.box);
  }

  listen() {
    const { back, play, on, slider } = this.controls;
    back.onclick = () => this.turnTo(this.now - 1);
    on.onclick = () => this.turnTo(this.now + 1);
    play.onclick = () => (this.timer === null ? this.play() : this.pause());
    slider.oninput = () => this.turnTo(slider.valueAsNumber - 1);
    this.box.onkeydown = (event) => this.keyPressed(event);
  }

  /** @param {KeyboardEvent} event */
  keyPressed(event) {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    const at = event.target;
    const isTaken = at instanceof HTMLInputElement || at instanceof HTMLSelectElement || at === this.pictures.treeBox;
    if (!step || isTaken) return;
    event.preventDefault();
    this.turnTo(this.now + step);
  }

  pause() {
    if (this.timer !== null) clearTimeout(this.timer);
    this.timer = null;
    this.tellPlay();
  }

  play() {
    if (this.now === this.last) this.go(0);
    this.wait();
    this.tellPlay();
  }

  wait() {
    this.timer = setTimeout(() => this.tick(), Number(this.controls.pace.value));
  }

  tick() {
    const isSeen = this.box.isConnected && this.box.offsetParent !== null;
    if (isSeen) this.go(this.now + 1);
    if (!isSeen || this.now === this.last) this.pause();
    else this.wait();
  }

  /**
   * Go to a step by hand; this ends playing.
   * @param {number} to
   */
  turnTo(to) {
    this.pause();
    this.go(to);
  }

  /** @param {number} to */
  go(to) {
    this.now = Math.min(this.last, Math.max(0, to));
    this.tellStep();
    this.pictures.show(this.now);
    this.log.show(this.now);
    this.tellPlay();
  }

  tellStep() {
    const { back, on, slider, count, said, note } = this.controls;
    const { text, note: cost } = this.steps[this.now];
    const { counts, all } = this.pictures.course;
    const [at, of] = [this.now + 1, this.steps.length];
    back.setAttribute("aria-disabled", String(this.now === 0)); // not `disabled`: the focus would be lost
    on.setAttribute("aria-disabled", String(this.now === this.last));
    slider.value = String(at);
    slider.setAttribute("aria-valuetext", `${at} of ${of}: ${text.trim()}`);
    setText(count, `step ${at} of ${of}`);
    setText(said, text.trim());
    setText(note, `Found ${counts[this.now]} of ${all}. ${cost}.`);
  }

  tellPlay() {
    const { play, said } = this.controls;
    const isPlaying = this.timer !== null;
    setText(play, isPlaying ? "❚❚ Pause" : this.now === this.last ? "↺ Play again" : "▶ Play");
    said.setAttribute("aria-live", isPlaying ? "off" : "polite"); // read aloud by hand only, or it would never end
  }
}

/** @param {LessonStep[]} steps */
export const player = (steps) => new Player(steps).box;
