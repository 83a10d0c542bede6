// The WebSocket: opened with the token of the URL, opened again when it is lost, numbers of positions counted.
const PROTOCOL = "busproto-bench";
const KEY = "busproto-token";
const FIRST_WAIT_MS = 400;
const LONGEST_WAIT_MS = 4000;

const listeners = new Map();
let socket = null;
let waitMs = FIRST_WAIT_MS;
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

export function on(kind, listener) {
  if (!listeners.has(kind)) listeners.set(kind, []);
  listeners.get(kind).push(listener);
}

function tell(kind, body) {
  for (const listener of listeners.get(kind) ?? []) listener(body);
}

export function send(order) {
  if (socket?.readyState !== WebSocket.OPEN) return false;
  socket.send(JSON.stringify(order));
  return true;
}

export const isOpen = () => socket?.readyState === WebSocket.OPEN;

export function connect() {
  const known = token();
  if (!known) {
    tell("no-token", {});
    return;
  }
  socket = new WebSocket(`ws://${location.host}/bus`, [PROTOCOL, `token.${known}`]);
  let wasOpen = false;
  socket.onopen = () => {
    wasOpen = true;
    waitMs = FIRST_WAIT_MS;
    lastSeq = null;
    figures.connections += 1;
    tell("open", {});
  };
  socket.onmessage = (event) => {
    const body = JSON.parse(event.data);
    if (body.k === "pos") {
      figures.positions += 1;
      if (lastSeq !== null && body.seq > lastSeq + 1) figures.gaps += body.seq - lastSeq - 1;
      lastSeq = body.seq;
    }
    tell(body.k, body);
  };
  socket.onclose = () => {
    tell("lost", { wasOpen });
    setTimeout(connect, waitMs);
    waitMs = Math.min(LONGEST_WAIT_MS, waitMs * 1.6);
  };
}

export const connection = { drop: () => socket?.close() };
