// The state of the page, from the server's messages. Other parts read it and listen to the same messages.
import { on } from "./connection.js";
/** @import { Airframe, Flow, FlowKind, Parameter, Port, Tile } from "./messages.js" */

export const state = {
  you: 0,
  /** @type {number | null} */ operator: null,
  /** @type {number[]} */ others: [],
  armed: false,
  /** @type {Record<string, number>} */ demands: {},
  /** @type {Record<string, number>} */ channels: {},
  /** @type {Tile[]} */ tiles: [],
  /** @type {Record<string, string>} */ words: {},
  /** @type {Parameter[]} */ parameters: [],
  /** @type {Airframe | null} */ airframe: null,
  /** @type {Record<string, FlowKind>} */ flows: {},
  /** @type {Flow | null} */ flow: null,
  /** @type {Port | null} */ port: null,
};

on("hello", (body) => {
  state.words = body.states;
  state.parameters = body.parameters;
  state.airframe = body.airframe;
  state.flows = body.flows;
});
on("role", (body) => Object.assign(state, { you: body.you, operator: body.operator, others: body.others }));
on("arm", (body) => Object.assign(state, { armed: body.armed, demands: body.demands, channels: body.channels }));
on("tiles", (body) => {
  state.tiles = body.tiles;
});
on("flow", (body) => {
  state.flow = body;
});
on("port", (body) => {
  state.port = body;
});
on("lost", () => {
  state.armed = false;
});

export const operates = () => state.operator === state.you;
export const isBusy = () => state.flow?.state === "running";

/**
 * Whether it has an address of its own.
 * @param {Tile} tile
 */
export const isAlone = (tile) => tile.address !== null && tile.shared_by === 1;

/** @param {Tile} tile */
export function tileName(tile) {
  const where = tile.address === null ? "no address" : `address ${tile.address}`;
  return tile.function ? `${where}, ${tile.function}` : where;
}
