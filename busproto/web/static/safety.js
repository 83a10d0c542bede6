// Cautions, arming, all limp; and telling the server that a person is there.
import { alarm, byId, make, readAloud, setText } from "./dom.js";
import { on, send } from "./connection.js";
import { isBusy, operates, state } from "./state.js";

const ALIVE_MS = 1000;
let onlyLooks = false;

function ticks() { return [...document.querySelectorAll("#caution-list input")]; }

function showCautions(show) {
  byId("cautions").hidden = !show;
  byId("show-cautions").setAttribute("aria-expanded", String(show));
}

function draw() {
  const moving = state.armed;
  document.body.classList.toggle("armed", moving);
  byId("arm-shape").setAttribute("href", moving ? "#s-disc" : "#s-barred");
  setText(byId("arm-state"), moving ? "ARMED: demands go through" : onlyLooks ? "Only looking: somebody else demands on this line" : "Not armed: this bench moves nothing");
  byId("disarm").hidden = !moving || !operates();
  byId("show-cautions").hidden = moving || onlyLooks;
  byId("show-cautions").disabled = !operates();
  byId("arm").disabled = !operates() || isBusy() || !ticks().every((tick) => tick.checked);
}

export function limp() {
  if (!send({ do: "limp" })) alarm("No connection: take the supply away if something moves.");
  else readAloud("all limp", true);
}

on("hello", (body) => {
  onlyLooks = body.only_looks;
  byId("caution-list").replaceChildren(...body.cautions.map((text, number) =>
    make("label", {}, make("input", { type: "checkbox", "data-number": number, onchange: draw }), make("span", {}, text))));
  setText(byId("disclaimer"), body.disclaimer);
  draw();
});
on("arm", (body) => {
  const why = byId("arm-why");
  if (body.armed) {
    showCautions(false);
    why.hidden = true;
  } else {
    for (const tick of ticks()) tick.checked = false;
    if (body.why) {
      const text = body.limp ? `${body.limp} (${body.why})` : `Ended: ${body.why}.`;
      setText(why, text);
      why.hidden = false;
      alarm(`Not armed. ${text}`);
    }
  }
  draw();
});
for (const kind of ["role", "flow", "lost"]) on(kind, draw);

byId("show-cautions").onclick = () => showCautions(byId("cautions").hidden);
byId("cautions").onsubmit = (event) => {
  event.preventDefault();
  send({ do: "arm", ticked: ticks().filter((tick) => tick.checked).map((tick) => Number(tick.dataset.number)) });
};
byId("disarm").onclick = () => send({ do: "disarm" });
byId("limp").onclick = limp;

window.addEventListener("keydown", (event) => {
  if (event.code !== "Space" || event.repeat) return;
  const moves = isBusy() && state.flows[state.flow.flow]?.moves;
  const at = event.target;
  const isFree = at === document.body || at.closest?.("[data-space-is-limp]") || at.classList?.contains("panel");
  if (state.armed || moves || isFree) {
    event.preventDefault();
    limp();
  }
}, { capture: true });

const isVisible = () => document.visibilityState === "visible";
const alive = () => operates() && send({ do: "alive", visible: isVisible() });
setInterval(alive, ALIVE_MS);
document.addEventListener("visibilitychange", alive);
