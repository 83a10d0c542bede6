// The page: loads its parts, and handles tabs, the operator role and the connection.
import { connect, connection, figures, on, send } from "./base/connection.js";
import { alarm, button, byId, byIdAs, setText } from "./base/dom.js";
import { state } from "./base/state.js";
import "./bench/safety.js";
import "./bench/tiles.js";
import "./bench/tasks.js";
import "./bench/said.js";
import "./bench/settings.js";
import "./bench/line.js";
import "./bench/virtual.js";
import "./lessons/lessons.js";

// --- tabs -------------------------------------------------------------------------------------------------------

/** @type {NodeListOf<HTMLElement>} */
const tabButtons = document.querySelectorAll("[role=tab]");
const tabs = [...tabButtons];
const isWide = matchMedia("(min-width: 1000px)");

/** @param {HTMLElement} tab */
const nameOf = (tab) => tab.dataset.tab ?? "";

/**
 * @param {string} name
 * @param {boolean} focus
 */
function show(name, focus = false) {
  document.body.dataset.tab = name;
  for (const tab of tabs) {
    const isChosen = nameOf(tab) === name;
    tab.setAttribute("aria-selected", String(isChosen));
    tab.tabIndex = isChosen ? 0 : -1;
    if (isChosen && focus) tab.focus();
  }
  /** @type {NodeListOf<HTMLElement>} */
  const panels = document.querySelectorAll(".panel");
  for (const panel of panels) panel.hidden = panel.id !== name && !(isWide.matches && panel.id === "actuators");
}

function first() {
  const shown = nameOf(document.body);
  show(isWide.matches && shown === "actuators" ? "tasks" : shown);
}

/** @type {Record<string, number>} */
const STEPS = { ArrowRight: 1, ArrowLeft: -1 };
for (const tab of tabs) {
  tab.onclick = () => show(nameOf(tab));
  tab.onkeydown = (event) => {
    const step = STEPS[event.key];
    if (!step) return;
    event.preventDefault();
    const there = tabs.filter((one) => one.offsetParent !== null);
    show(nameOf(there[(there.indexOf(tab) + step + there.length) % there.length]), true);
  };
}
isWide.addEventListener("change", first);
first();

// --- which page operates ----------------------------------------------------------------------------------------

function roles() {
  const mine = state.operator === state.you;
  setText(byId("role"), mine ? "You operate" : state.operator === null ? "No page operates" : "You look on");
  document.body.classList.toggle("looks-on", !mine);
  const buttons = mine
    ? state.others.map((page) => button(`Hand over to page ${page}`, () => send({ do: "hand-over", to: page })))
    : state.operator === null
      ? [button("Operate", () => send({ do: "take" }))]
      : [];
  byId("role-buttons").replaceChildren(...buttons);
}
on("role", roles);

// --- the port and the connection --------------------------------------------------------------------------------

on("port", (body) => {
  const baud = body.baud?.toLocaleString("en-GB").replaceAll(",", " ");
  setText(byId("port"), body.state === "open" ? `${body.url} at ${baud} Bd` : `port closed: ${body.text}`);
  byId("port").classList.toggle("problem", body.state !== "open");
});
on("load", (body) => {
  byIdAs("load", HTMLMeterElement).value = body.load;
  const behind = body.lost_ms >= 1000 ? `, ${(body.lost_ms / 1000).toFixed(1)} s behind the clock` : "";
  setText(byId("load-text"), `${Math.round(100 * body.load)} %${behind}`);
});
const lost = byId("lost");
on("open", () => {
  lost.hidden = true;
  document.body.classList.remove("cut-off");
});
on("lost", ({ wasOpen }) => {
  setText(
    lost,
    "No connection to the server. A server that still runs releases armed actuators; this page does not know in " +
      "which state they are now. Trying again. A server that was started anew prints another URL: open that.",
  );
  lost.hidden = false;
  document.body.classList.add("cut-off");
  setText(byId("role"), "cut off");
  if (wasOpen) alarm("connection lost");
});
on("no-token", () => {
  setText(lost, "This page was opened without its token: open the URL that 'busproto serve' prints.");
  lost.hidden = false;
});

// for measurements: durations for which the page was busy, and the messages received
/** @type {number[]} */
const longTasks = [];
if (globalThis.PerformanceObserver?.supportedEntryTypes?.includes("longtask")) {
  const watch = new PerformanceObserver((found) => longTasks.push(...found.getEntries().map((one) => one.duration)));
  watch.observe({ entryTypes: ["longtask"] });
}
Object.assign(globalThis, { bench: { figures, longTasks, state, connection } });
connect();
