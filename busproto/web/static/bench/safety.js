// Cautions, arming, all limp; and the sign of life for the server.
import { on, onAny, send } from "../base/connection.js";
import { alarm, byId, byIdAs, make, readAloud, setText } from "../base/dom.js";
import { isBusy, operates, state } from "../base/state.js";

const ALIVE_MS = 1000;
let onlyLooks = false;

/** @returns {HTMLInputElement[]} */
const ticks = () => [...byId("caution-list").querySelectorAll("input")];

/** @param {boolean} show */
function showCautions(show) {
  byId("cautions").hidden = !show;
  byId("show-cautions").setAttribute("aria-expanded", String(show));
}

function stateText() {
  if (state.armed) return "ARMED: demands go through";
  return onlyLooks ? "Only looking: another sender demands on this line" : "Not armed: this bench moves nothing";
}

function draw() {
  const moving = state.armed;
  document.body.classList.toggle("armed", moving);
  byId("arm-shape").setAttribute("href", moving ? "#s-disc" : "#s-barred");
  setText(byId("arm-state"), stateText());
  byId("disarm").hidden = !moving || !operates();
  const cautions = byIdAs("show-cautions", HTMLButtonElement);
  cautions.hidden = moving || onlyLooks;
  cautions.disabled = !operates();
  byIdAs("arm", HTMLButtonElement).disabled = !operates() || isBusy() || !ticks().every((tick) => tick.checked);
}

export function limp() {
  if (!send({ do: "limp" })) alarm("No connection: take the supply away if something moves.");
  else readAloud("all limp", true);
}

on("hello", (body) => {
  onlyLooks = body.only_looks;
  const tick = (/** @type {number} */ number) =>
    make("input", { type: "checkbox", "data-number": number, onchange: draw });
  const labels = body.cautions.map((text, number) => make("label", {}, tick(number), make("span", {}, text)));
  byId("caution-list").replaceChildren(...labels);
  setText(byId("disclaimer"), body.disclaimer);
  draw();
});

/**
 * @param {string} why
 * @param {string} seen what was seen when all were let go
 */
function tellEnd(why, seen) {
  const text = seen ? `${seen} (${why})` : `Ended: ${why}.`;
  setText(byId("arm-why"), text);
  byId("arm-why").hidden = false;
  alarm(`Not armed. ${text}`);
}

on("arm", (body) => {
  if (body.armed) {
    showCautions(false);
    byId("arm-why").hidden = true;
  } else {
    for (const tick of ticks()) tick.checked = false;
    if (body.reason) tellEnd(body.reason, body.limp);
  }
  draw();
});
onAny(["role", "flow", "lost"], draw);

byId("show-cautions").onclick = () => showCautions(Boolean(byId("cautions").hidden));
byId("cautions").onsubmit = (event) => {
  event.preventDefault();
  const ticked = ticks().filter((tick) => tick.checked);
  send({ do: "arm", ticked: ticked.map((tick) => Number(tick.dataset.number)) });
};
byId("disarm").onclick = () => send({ do: "disarm" });
byId("limp").onclick = limp;

/**
 * Whether the space bar has no other function in the focused element.
 * @param {EventTarget | null} at
 */
function isFree(at) {
  if (!(at instanceof Element)) return false;
  return at === document.body || at.closest("[data-space-is-limp]") !== null || at.classList.contains("panel");
}

window.addEventListener(
  "keydown",
  (event) => {
    if (event.code !== "Space" || event.repeat) return;
    const moves = isBusy() && state.flows[state.flow?.flow ?? ""]?.moves;
    if (state.armed || moves || isFree(event.target)) {
      event.preventDefault();
      limp();
    }
  },
  { capture: true },
);

const alive = () => operates() && send({ do: "alive", visible: document.visibilityState === "visible" });
setInterval(alive, ALIVE_MS);
document.addEventListener("visibilitychange", alive);
