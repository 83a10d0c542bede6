// The WebSocket: opened with the token of the URL, opened again when it is lost, numbers of positions counted.
/** @import { Messages } from "./messages.js" */
const PROTOCOL = "busproto-bench";
const KEY = "busproto-token";
const FIRST_WAIT_MS = 400;
const LONGEST_WAIT_MS = 4000;

/** @type {Map<string, ((body: any) => void)[]>} */
const listeners = new Map();
/** @type {WebSocket | null} */
let socket = null;
let waitMs = FIRST_WAIT_MS;
/** @type {number | null} */
let lastSeq = null;
export const figures = { positions: 0, gaps: 0, connections: 0 };

/** The token of this tab; taken out of the URL when it stands there. */
export function token() {
  const given = new URLSearchParams(location.hash.slice(1)).get("token");
  if (given) {
    sessionStorage.setItem(KEY, given);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem(KEY) ?? "";
}

/**
 * @template {keyof Messages} K
 * @param {K} kind
 * @param {(body: Messages[K]) => void} listener
 */
export function on(kind, listener) {
  listeners.set(kind, [...(listeners.get(kind) ?? []), listener]);
}

/**
 * @param {(keyof Messages)[]} kinds
 * @param {() => void} listener
 */
export function onAny(kinds, listener) {
  for (const kind of kinds) on(kind, listener);
}

/**
 * @template {keyof Messages} K
 * @param {K} kind
 * @param {Messages[K]} body
 */
function tell(kind, body) {
  for (const listener of listeners.get(kind) ?? []) listener(body);
}

/**
 * Send an order. Returns whether it was sent.
 * @param {{ do: string, [field: string]: unknown }} order
 */
export function send(order) {
  if (socket?.readyState !== WebSocket.OPEN) return false;
  socket.send(JSON.stringify(order));
  return true;
}

/** @param {number} seq */
function count(seq) {
  figures.positions += 1;
  if (lastSeq !== null && seq > lastSeq + 1) figures.gaps += seq - lastSeq - 1;
  lastSeq = seq;
}

export function connect() {
  const known = token();
  if (!known) {
    tell("no-token", {});
    return;
  }
  const made = new WebSocket(`ws://${location.host}/bus`, [PROTOCOL, `token.${known}`]);
  socket = made;
  let wasOpen = false;
  made.onopen = () => {
    wasOpen = true;
    waitMs = FIRST_WAIT_MS;
    lastSeq = null;
    figures.connections += 1;
    tell("open", {});
  };
  made.onmessage = (event) => {
    const body = JSON.parse(event.data);
    if (body.k === "pos") count(body.seq);
    tell(body.k, body);
  };
  made.onclose = () => {
    tell("lost", { wasOpen });
    setTimeout(connect, waitMs);
    waitMs = Math.min(LONGEST_WAIT_MS, waitMs * 1.6);
  };
}

export const connection = { drop: () => socket?.close() };
