// One tile for each actuator: what it is, what it does, where it stands; and its demand slider.
import { byId, make, setText, shape } from "./dom.js";
import { on, send } from "./connection.js";
import { isBusy, operates, state, tileName } from "./state.js";

const SHAPES = {
  limp: "ring", easing: "half", following: "disc", "lost-limp": "open-diamond", "lost-hold": "diamond",
  "lost-preset": "square", released: "barred", faulted: "cross", silent: "dots", shared: "clash",
  "no-address": "dashed", unknown: "dashed",
};
const WORDS = {
  limp: "limp", easing: "soft start", following: "following", "lost-limp": "signal lost: limp",
  "lost-hold": "signal lost: holds", "lost-preset": "signal lost: preset", released: "let go, limp",
  faulted: "limp, fault", silent: "no answer", shared: "clash", "no-address": "no address", unknown: "not heard yet",
};
const TEXT_MS = 200;
const SEND_MS = 50;

const views = new Map();
let drawn = 0;

const number = (value, digits) => value.toFixed(digits).replace("-", "−");
const degrees = (cdeg) => `${number(cdeg / 100, 1)}°`;

function slider(label, current, change) {
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
  const off = make("button", { class: "small-button", onclick: () => change(null), "aria-label": `${label}: none, limp` }, "limp");
  const box = make("div", { class: "demand" }, input, out, off);
  return {
    box,
    draw(share) {
      const may = state.armed && operates() && !isBusy();
      input.disabled = !may;
      off.disabled = !may || share === undefined;
      if (share === undefined) { if (document.activeElement !== input || !may) input.value = 0; setText(out, "none"); }
      else { if (document.activeElement !== input) input.value = Math.round(share * 100); setText(out, `${number(share * 100, 0)} %`); }
    },
  };
}

class View {
  constructor(tile) {
    this.word = "";
    this.row = null;
    this.shape = make("span", { class: "shape-box" });
    this.stateText = make("span", {});
    this.chip = make("p", { class: "chip" }, this.shape, this.stateText);
    this.title = make("h3", {});
    this.sub = make("p", { class: "sub" });
    this.zone = make("i", { class: "zone" });
    this.neutral = make("i", { class: "carrier" }, make("i", { class: "neutral" }));
    this.needle = make("i", { class: "carrier" }, make("i", { class: "needle" }));
    this.target = make("i", { class: "carrier" }, make("i", { class: "target" }));
    this.rail = make("div", { class: "rail", "aria-hidden": "true" }, this.zone, this.neutral, this.target, this.needle);
    this.figures = {};
    const list = this.list = make("dl", { class: "figures" });
    for (const [key, label] of [["at", "arm"], ["to", "driven to"], ["ma", "current"], ["v", "supply"], ["t", "inside"], ["link", "answers"]]) {
      this.figures[key] = make("dd", {}, "–");
      list.append(make("div", {}, make("dt", {}, label), this.figures[key]));
    }
    this.faults = make("p", { class: "faults", hidden: true });
    this.had = make("p", { class: "small", hidden: true }, "lost its demand at some time since power-up");
    this.note = make("div", { class: "note" });
    this.slider = slider("", undefined, (share) => send({ do: "demand", address: this.tile.address, share }));
    this.box = make("article", { class: "tile", "data-uid": tile.uid }, make("header", {}, this.title, this.chip), this.sub, this.rail, list, this.faults, this.had, this.note, this.slider.box);
    this.update(tile);
  }

  update(tile) {
    this.tile = tile;
    this.title.replaceChildren(...(tile.address === null ? [make("small", {}, "no address")] : [make("small", {}, "address "), String(tile.address)]));
    setText(this.sub, [tile.function, tile.model ? `${tile.model}, firmware ${tile.firmware}` : "", tile.channel ? `channel ${tile.channel}` : ""].filter(Boolean).join(" · ") || tile.uid);
    this.box.setAttribute("aria-label", tileName(tile));
    this.box.title = `uid ${tile.uid}`;
    this.box.classList.toggle("clash", tile.shared_by > 1);
    this.scale = tile.scale_deg ?? [-100, 100];
    const [low, high] = tile.travel_deg ?? this.scale;
    this.zone.style.left = `${this.percent(low * 100)}%`;
    this.zone.style.right = `${100 - this.percent(high * 100)}%`;
    this.place(this.neutral, (tile.neutral_deg ?? 0) * 100);
    const alone = tile.address !== null && tile.shared_by === 1;
    this.slider.box.hidden = !alone;
    this.rail.hidden = !alone;
    this.list.hidden = !alone;
    this.slider.box.querySelector("input").setAttribute("aria-label", `Demand for ${tileName(tile)}, percent of travel`);
    this.note.replaceChildren();
    if (tile.shared_by > 1) {
      this.note.append(make("p", {}, `${tile.shared_by} actuators share address ${tile.address}: nobody can ask one of them alone. `),
        make("button", { class: "small-button", onclick: () => send({ do: "start", flow: "together", with: { address: tile.address } }) }, "Let them answer at once"));
    } else if (tile.address === null) {
      this.note.append(make("p", {}, "It takes a demand only when it has an address of its own."));
    }
    this.health(tile);
    this.drawDemand();
  }

  percent(cdeg) {
    const [low, high] = this.scale;
    return Math.min(100, Math.max(0, (100 * (cdeg / 100 - low)) / (high - low)));
  }

  place(carrier, cdeg) { carrier.style.transform = `translateX(${this.percent(cdeg).toFixed(2)}%)`; }

  health(body) {
    const set = (key, text) => setText(this.figures[key], text);
    if (body.supply_mv !== undefined) {
      set("v", `${number(body.supply_mv / 1000, 2)} V`);
      set("t", `${number(body.temperature_cdeg / 100, 0)} °C`);
      const rating = this.tile.rating_mv;
      this.figures.v.classList.toggle("bad", Boolean(rating) && (body.supply_mv < rating[0] || body.supply_mv > rating[1]));
    }
    if (body.asked) set("link", `${number(100 * (1 - body.missed / body.asked), body.missed ? 1 : 0)} %`);
    const faults = body.faults ?? [];
    this.faults.hidden = faults.length === 0;
    setText(this.faults, faults.length ? `! ${faults.join("; ")}` : "");
    this.had.hidden = !body.had_lost;
  }

  drawDemand() { this.slider.draw(state.demands[String(this.tile.address)]); }

  take(row) { this.row = row; }

  drawMotion() {
    const row = this.row;
    if (!row || row === this.drawnRow) return;
    if (!this.drawnRow || row[2] !== this.drawnRow[2]) this.place(this.needle, row[2]);
    const to = row[4];
    if (!this.drawnRow || to !== this.drawnRow[4]) {
      this.target.hidden = to === null;
      if (to !== null) this.place(this.target, to);
    }
    if (row[1] !== this.word) {
      this.word = row[1];
      this.shape.replaceChildren(shape(SHAPES[this.word] ?? "dashed"));
      setText(this.stateText, WORDS[this.word] ?? this.word);
      this.chip.title = state.words[this.word] ?? "";
      this.box.dataset.state = this.word;
    }
    this.drawnRow = row;
  }

  drawText() {
    const row = this.row;
    if (!row) return;
    const alone = this.tile.address !== null && this.tile.shared_by === 1;
    setText(this.figures.at, alone ? degrees(row[2]) : "–");
    setText(this.figures.to, !alone || row[4] === null ? "–" : degrees(row[4]));
    setText(this.figures.ma, alone ? `${row[3]} mA` : "–");
  }
}

function drawAll(now) {
  const withText = now - drawn >= TEXT_MS;
  if (withText) drawn = now;
  for (const view of views.values()) {
    view.drawMotion();
    if (withText) view.drawText();
  }
  requestAnimationFrame(drawAll);
}
requestAnimationFrame(drawAll);

const channelViews = new Map();
function drawChannels() {
  const channels = new Map();
  for (const tile of state.tiles) {
    if (tile.channel && tile.address !== null && tile.shared_by === 1) {
      channels.set(tile.channel, [...(channels.get(tile.channel) ?? []), tile]);
    }
  }
  byId("channels").hidden = channels.size === 0;
  byId("channels-beware").hidden = !state.tiles.some((tile) => tile.shared_by > 1);
  const key = JSON.stringify([...channels].map(([channel, tiles]) => [channel, tiles.map(tileName)]));
  if (key !== byId("channel-list").dataset.key) {
    byId("channel-list").dataset.key = key;
    channelViews.clear();
    byId("channel-list").replaceChildren(...[...channels].sort((a, b) => a[0] - b[0]).map(([channel, tiles]) => {
      const view = slider(`Demand for channel ${channel}, percent of travel`, undefined, (share) => send({ do: "demand-channel", channel, share }));
      channelViews.set(channel, view);
      return make("div", { class: "channel" }, make("p", {}, make("b", {}, `Channel ${channel}`), ` ${tiles.map(tileName).join("; ")}`), view.box);
    }));
  }
  for (const [channel, view] of channelViews) view.draw(state.channels[String(channel)]);
}

on("tiles", (body) => {
  const uids = new Set(body.tiles.map((tile) => tile.uid));
  for (const [uid, view] of views) if (!uids.has(uid)) { view.box.remove(); views.delete(uid); }
  for (const tile of body.tiles) {
    if (views.has(tile.uid)) views.get(tile.uid).update(tile);
    else views.set(tile.uid, new View(tile));
    byId("tiles").append(views.get(tile.uid).box);
  }
  byId("empty").hidden = body.tiles.length > 0;
  const clashing = body.tiles.filter((tile) => tile.shared_by > 1).length;
  const bare = body.tiles.filter((tile) => tile.address === null).length;
  setText(byId("count"), [`${body.tiles.length} known`, clashing ? `${clashing} in a clash` : "", bare ? `${bare} without an address` : ""].filter(Boolean).join(", "));
  drawChannels();
});
on("pos", (body) => { for (const row of body.rows) views.get(row[0])?.take(row); });
on("health", (body) => views.get(body.uid)?.health(body));
for (const kind of ["arm", "role", "lost", "flow"]) on(kind, () => {
  for (const view of views.values()) view.drawDemand();
  for (const [channel, view] of channelViews) view.draw(state.channels[String(channel)]);
});
on("open", () => { for (const view of views.values()) view.drawnRow = null; });
byId("find-first").onclick = () => send({ do: "start", flow: "find" });
