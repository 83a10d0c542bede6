// All tiles, and the sliders that demand by channel.
import { on, onAny, send } from "../base/connection.js";
import { byId, make, setText } from "../base/dom.js";
import { isAlone, state, tileName } from "../base/state.js";
import { slider } from "./slider.js";
import { View } from "./tile_view.js";
/** @import { Tile } from "../base/messages.js" */

const TEXT_MS = 200;

/** @type {Map<string, View>} */
const views = new Map();
let drawn = 0;

/** @param {number} now ms */
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

// --- channels ---------------------------------------------------------------------------------------------------

/** @type {Map<number, ReturnType<typeof slider>>} */
const channelViews = new Map();

/** Actuators by the channel that they follow, as far as they were read. */
function byChannel() {
  /** @type {Map<number, Tile[]>} */
  const channels = new Map();
  for (const tile of state.tiles) {
    if (tile.channel && isAlone(tile)) channels.set(tile.channel, [...(channels.get(tile.channel) ?? []), tile]);
  }
  return [...channels].sort((a, b) => a[0] - b[0]);
}

/**
 * @param {number} channel
 * @param {Tile[]} tiles
 */
function channelRow(channel, tiles) {
  const label = `Demand for channel ${channel}, percent of travel`;
  const view = slider(label, (fraction) => send({ do: "demand-channel", channel, fraction }));
  channelViews.set(channel, view);
  const names = tiles.map(tileName).join("; ");
  return make("div", { class: "channel" }, make("p", {}, make("b", {}, `Channel ${channel}`), ` ${names}`), view.box);
}

function drawChannelDemands() {
  for (const [channel, view] of channelViews) view.draw(state.channels[String(channel)]);
}

function drawChannels() {
  const channels = byChannel();
  byId("channels").hidden = channels.length === 0;
  byId("channels-beware").hidden = !state.tiles.some((tile) => tile.shared_by > 1);
  const list = byId("channel-list");
  const key = JSON.stringify(channels.map(([channel, tiles]) => [channel, tiles.map(tileName)]));
  if (key !== list.dataset.key) {
    list.dataset.key = key;
    channelViews.clear();
    list.replaceChildren(...channels.map(([channel, tiles]) => channelRow(channel, tiles)));
  }
  drawChannelDemands();
}

// --- tiles ------------------------------------------------------------------------------------------------------

/** @param {Tile} tile */
function viewOf(tile) {
  const view = views.get(tile.uid);
  if (!view) return new View(tile);
  view.update(tile);
  return view;
}

/** @param {Tile[]} tiles */
function countText(tiles) {
  const clashing = tiles.filter((tile) => tile.shared_by > 1).length;
  const bare = tiles.filter((tile) => tile.address === null).length;
  const parts = [`${tiles.length} known`, clashing ? `${clashing} in a clash` : ""];
  return [...parts, bare ? `${bare} without an address` : ""].filter(Boolean).join(", ");
}

on("tiles", ({ tiles }) => {
  const uids = new Set(tiles.map((tile) => tile.uid));
  for (const [uid, view] of views) {
    if (uids.has(uid)) continue;
    view.box.remove();
    views.delete(uid);
  }
  for (const tile of tiles) {
    const view = viewOf(tile);
    views.set(tile.uid, view);
    byId("tiles").append(view.box);
  }
  byId("empty").hidden = tiles.length > 0;
  setText(byId("count"), countText(tiles));
  drawChannels();
});
on("pos", ({ rows }) => {
  for (const row of rows) {
    const view = views.get(row[0]);
    if (view) view.row = row;
  }
});
on("health", (body) => views.get(body.uid)?.health(body));
onAny(["arm", "role", "lost", "flow"], () => {
  for (const view of views.values()) view.drawDemand();
  drawChannelDemands();
});
on("open", () => {
  for (const view of views.values()) view.forget();
});
byId("find-first").onclick = () => send({ do: "start", flow: "find" });
