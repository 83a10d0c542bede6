// One tile: identity, state and position of an actuator, and its demand slider.
import { send } from "../base/connection.js";
import { button, make, setText, shape } from "../base/dom.js";
import { isAlone, state, tileName } from "../base/state.js";
import { number, slider } from "./slider.js";
/** @import { Health, MotionRow, Tile } from "../base/messages.js" */

/** @type {Record<string, string>} */
const SHAPES = {
  limp: "ring",
  "soft-starting": "half",
  following: "disc",
  "lost-limp": "open-diamond",
  "lost-hold": "diamond",
  "lost-preset": "square",
  released: "barred",
  faulted: "cross",
  silent: "dots",
  shared: "clash",
  "no-address": "dashed",
  unknown: "dashed",
};
/** @type {Record<string, string>} */
const WORDS = {
  limp: "limp",
  "soft-starting": "soft start",
  following: "following",
  "lost-limp": "signal lost: limp",
  "lost-hold": "signal lost: holds",
  "lost-preset": "signal lost: preset",
  released: "let go, limp",
  faulted: "limp, fault",
  silent: "no answer",
  shared: "clash",
  "no-address": "no address",
  unknown: "not heard yet",
};
const FIGURES = { at: "arm", to: "driven to", ma: "current", v: "supply", t: "inside", link: "answers" };

/** @param {number} cdeg */
const degrees = (cdeg) => `${number(cdeg / 100, 1)}°`;
/** @param {string} name */
const carrier = (name) => make("i", { class: "carrier" }, make("i", { class: name }));

/** The elements of a tile, and the updates of those that change. */
function parts() {
  const all = {
    shape: make("span", { class: "shape-box" }),
    state: make("span"),
    title: make("h3"),
    sub: make("p", { class: "sub" }),
    zone: make("i", { class: "zone" }),
    neutral: carrier("neutral"),
    needle: carrier("needle"),
    target: carrier("target"),
    list: make("dl", { class: "figures" }),
    faults: make("p", { class: "faults", hidden: true }),
    had: make("p", { class: "small", hidden: true }, "lost its demand at some time since power-up"),
    note: make("div", { class: "note" }),
  };
  const chip = make("p", { class: "chip" }, all.shape, all.state);
  const rail = make("div", { class: "rail", "aria-hidden": "true" }, all.zone, all.neutral, all.target, all.needle);
  return { ...all, chip, rail };
}

/** @param {HTMLElement} list */
function figuresIn(list) {
  const figure = (/** @type {string} */ label) => {
    const value = make("dd", {}, "–");
    list.append(make("div", {}, make("dt", {}, label), value));
    return value;
  };
  return {
    at: figure(FIGURES.at),
    to: figure(FIGURES.to),
    ma: figure(FIGURES.ma),
    v: figure(FIGURES.v),
    t: figure(FIGURES.t),
    link: figure(FIGURES.link),
  };
}

export class View {
  /** @param {Tile} tile */
  constructor(tile) {
    this.tile = tile;
    this.word = "";
    /** @type {MotionRow | null} */
    this.row = null;
    /** @type {MotionRow | null} */
    this.drawnRow = null;
    /** @type {[number, number]} */
    this.scale = [-100, 100];
    this.parts = parts();
    this.figures = figuresIn(this.parts.list);
    this.slider = slider("", (fraction) => send({ do: "demand", address: this.tile.address, fraction }));
    const { title, chip, sub, rail, list, faults, had, note } = this.parts;
    const head = make("header", {}, title, chip);
    const rest = [head, sub, rail, list, faults, had, note, this.slider.box];
    this.box = make("article", { class: "tile", "data-uid": tile.uid }, ...rest);
    this.update(tile);
  }

  /** @param {Tile} tile */
  update(tile) {
    this.tile = tile;
    const alone = isAlone(tile);
    this.drawName();
    this.scale = tile.scale_deg ?? [-100, 100];
    const [low, high] = tile.travel_deg ?? this.scale;
    this.parts.zone.style.left = `${this.percent(low * 100)}%`;
    this.parts.zone.style.right = `${100 - this.percent(high * 100)}%`;
    this.place(this.parts.neutral, (tile.neutral_deg ?? 0) * 100);
    for (const one of [this.slider.box, this.parts.rail, this.parts.list]) one.hidden = !alone;
    this.slider.input.setAttribute("aria-label", `Demand for ${tileName(tile)}, percent of travel`);
    this.parts.note.replaceChildren(...this.notes());
    this.health(tile);
    this.drawDemand();
  }

  drawName() {
    const { title, sub } = this.parts;
    const { uid, address, function: name, model, firmware, channel } = this.tile;
    title.replaceChildren(make("small", {}, address === null ? "no address" : "address "), String(address ?? ""));
    const facts = [name, model ? `${model}, firmware ${firmware}` : "", channel ? `channel ${channel}` : ""];
    setText(sub, facts.filter(Boolean).join(" · ") || uid);
    this.box.setAttribute("aria-label", tileName(this.tile));
    this.box.title = `uid ${uid}`;
    this.box.classList.toggle("clash", this.tile.shared_by > 1);
  }

  notes() {
    const { address, shared_by: count } = this.tile;
    if (count > 1) {
      const together = () => send({ do: "start", flow: "together", with: { address } });
      return [
        make("p", {}, `${count} actuators share address ${address}: the bench cannot ask one of them alone. `),
        button("Let them answer at once", together, { class: "small-button" }),
      ];
    }
    return address === null ? [make("p", {}, "It takes a demand only when it has an address of its own.")] : [];
  }

  /** @param {number} cdeg */
  percent(cdeg) {
    const [low, high] = this.scale;
    return Math.min(100, Math.max(0, (100 * (cdeg / 100 - low)) / (high - low)));
  }

  /**
   * @param {HTMLElement} one
   * @param {number} cdeg
   */
  place(one, cdeg) {
    one.style.transform = `translateX(${this.percent(cdeg).toFixed(2)}%)`;
  }

  /** @param {Health} body */
  health(body) {
    const { v, t, link } = this.figures;
    if (body.supply_mv !== undefined) {
      setText(v, `${number(body.supply_mv / 1000, 2)} V`);
      setText(t, `${number((body.temperature_cdeg ?? 0) / 100, 0)} °C`);
      const [least, most] = this.tile.rating_mv ?? [0, Number.POSITIVE_INFINITY];
      v.classList.toggle("bad", body.supply_mv < least || body.supply_mv > most);
    }
    const { asked_count: asked, missed_count: missed } = body;
    if (asked) setText(link, `${number(100 * (1 - missed / asked), missed ? 1 : 0)} %`);
    const faults = body.faults ?? [];
    this.parts.faults.hidden = faults.length === 0;
    setText(this.parts.faults, faults.length ? `! ${faults.join("; ")}` : "");
    this.parts.had.hidden = !body.had_lost;
  }

  drawDemand() {
    this.slider.draw(state.demands[String(this.tile.address)]);
  }

  /** Forget what was drawn, so that all is drawn anew. */
  forget() {
    this.drawnRow = null;
  }

  drawMotion() {
    const [row, old] = [this.row, this.drawnRow];
    if (!row || row === old) return;
    const [, word, at, , to] = row;
    if (at !== old?.[2]) this.place(this.parts.needle, at);
    if (!old || to !== old[4]) {
      this.parts.target.hidden = to === null;
      if (to !== null) this.place(this.parts.target, to);
    }
    if (word !== this.word) this.drawWord(word);
    this.drawnRow = row;
  }

  /** @param {string} word */
  drawWord(word) {
    this.word = word;
    this.parts.shape.replaceChildren(shape(SHAPES[word] ?? "dashed"));
    setText(this.parts.state, WORDS[word] ?? word);
    this.parts.chip.title = state.words[word] ?? "";
    this.box.dataset.state = word;
  }

  drawText() {
    if (!this.row) return;
    const [, , at, ma, to] = this.row;
    const alone = isAlone(this.tile);
    setText(this.figures.at, alone ? degrees(at) : "–");
    setText(this.figures.to, !alone || to === null ? "–" : degrees(to));
    setText(this.figures.ma, alone ? `${ma} mA` : "–");
  }
}
