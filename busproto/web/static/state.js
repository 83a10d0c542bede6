// What the page knows, as the server told it. Others read it and listen to the same messages.
import { on } from "./connection.js";

export const state = {
  you: 0, operator: null, others: [], armed: false, demands: {}, channels: {}, tiles: [], words: {}, parameters: [],
  airframe: null, flows: {}, flow: null, port: null,
};

on("hello", (body) => {
  state.words = body.states;
  state.parameters = body.parameters;
  state.airframe = body.airframe;
  state.flows = body.flows;
});
on("role", (body) => Object.assign(state, { you: body.you, operator: body.operator, others: body.others }));
on("arm", (body) => Object.assign(state, { armed: body.armed, demands: body.demands, channels: body.channels }));
on("tiles", (body) => { state.tiles = body.tiles; });
on("flow", (body) => { state.flow = body; });
on("port", (body) => { state.port = body; });
on("lost", () => { state.armed = false; });

export const operates = () => state.operator === state.you;
export const isBusy = () => state.flow?.state === "running";
export const tileName = (tile) =>
  `${tile.address === null ? "no address" : `address ${tile.address}`}${tile.function ? `, ${tile.function}` : ""}`;
