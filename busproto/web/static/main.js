// The page: parts that look after themselves, and what they share: tabs, roles, the connection.
import { alarm, byId, make, setText } from "./dom.js";
import { connect, connection, figures, on, send } from "./connection.js";
import { state } from "./state.js";
import "./safety.js";
import "./tiles.js";
import "./tasks.js";
import "./settings.js";
import "./line.js";
import "./virtual.js";
import "./lessons.js";

const tabs = [...document.querySelectorAll("[role=tab]")];
const isWide = matchMedia("(min-width: 1000px)");

function show(name, focus = false) {
  document.body.dataset.tab = name;
  for (const tab of tabs) {
    const isChosen = tab.dataset.tab === name;
    tab.setAttribute("aria-selected", String(isChosen));
    tab.tabIndex = isChosen ? 0 : -1;
    if (isChosen && focus) tab.focus();
  }
  for (const panel of document.querySelectorAll(".panel")) {
    panel.hidden = panel.id !== name && !(isWide.matches && panel.id === "actuators");
  }
}
const first = () => show(isWide.matches && document.body.dataset.tab === "actuators" ? "tasks" : document.body.dataset.tab);
for (const tab of tabs) {
  tab.onclick = () => show(tab.dataset.tab);
  tab.onkeydown = (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    const there = tabs.filter((one) => one.offsetParent !== null);
    show(there[(there.indexOf(tab) + step + there.length) % there.length].dataset.tab, true);
  };
}
isWide.addEventListener("change", first);
first();

function roles() {
  const mine = state.operator === state.you;
  setText(byId("role"), mine ? "You operate" : state.operator === null ? "Nobody operates" : "You look on");
  document.body.classList.toggle("looks-on", !mine);
  const buttons = [];
  if (!mine && state.operator === null) buttons.push(make("button", { onclick: () => send({ do: "take" }) }, "Operate"));
  if (mine && state.others.length) buttons.push(...state.others.map((page) => make("button", { onclick: () => send({ do: "hand-over", to: page }) }, `Hand over to page ${page}`)));
  byId("role-buttons").replaceChildren(...buttons);
}
on("role", roles);
on("port", (body) => {
  const text = body.state === "open" ? `${body.url} at ${body.baud.toLocaleString("en-GB").replaceAll(",", " ")} Bd` : `port closed: ${body.text}`;
  setText(byId("port"), text);
  byId("port").classList.toggle("problem", body.state !== "open");
});
on("load", (body) => {
  byId("load").value = body.load;
  setText(byId("load-text"), `${Math.round(100 * body.load)} %${body.lost_ms >= 1000 ? `, ${(body.lost_ms / 1000).toFixed(1)} s behind the clock` : ""}`);
});
const lost = byId("lost");
on("open", () => { lost.hidden = true; document.body.classList.remove("cut-off"); });
on("lost", ({ wasOpen }) => {
  setText(lost, "No connection to the server: all were let go limp if it lives. Trying again; where it was started anew, open the URL that it prints.");
  lost.hidden = false;
  document.body.classList.add("cut-off");
  setText(byId("role"), "cut off");
  if (wasOpen) alarm("connection lost");
});
on("no-token", () => {
  setText(lost, "This page was opened without its token: open the URL that 'busproto serve' prints.");
  lost.hidden = false;
});

// for measurements: how long the page was busy at a time, and what came
const longTasks = [];
if (globalThis.PerformanceObserver?.supportedEntryTypes?.includes("longtask")) {
  new PerformanceObserver((found) => longTasks.push(...found.getEntries().map((one) => one.duration))).observe({ entryTypes: ["longtask"] });
}
globalThis.bench = { figures, longTasks, state, connection };
connect();
