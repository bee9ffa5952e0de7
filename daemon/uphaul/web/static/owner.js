// How it is doing (log, sources, outputs, clock), the tune, and what this device is set to.

import { act, canAct, pairedAs } from "./acting.js";
import { applyLook, device, keep, staysOn } from "./device.js";
import { button, byId, parts, rows, setText } from "./rows.js";
import { play, soundState } from "./sound.js";
import { capital } from "./words.js";

const SURE_MS = 5000;

let shown = null;
let asked = { tune: "", until_ms: 0 };

// ---- how it is doing --------------------------------------------------------------------------------------------------

const size = (mb) => (mb >= 1000 ? `${(mb / 1000).toFixed(1)}\u00a0GB` : `${Math.round(mb)}\u00a0MB`);

function logItems(log) {
  const lost = log.lost_ticks ? `${log.lost_ticks} ticks lost` : "";
  const items = [{ name: "log", text: `Log: ${log.state}`, bad: [log.problem, lost].filter(Boolean).join("; ") }];
  const room = [
    log.free_mb === null ? "" : `${size(log.free_mb)} free on the card`,
    log.size_mb === null ? "" : `the log takes ${size(log.size_mb)}`,
    log.hours === null ? "" : `it holds ${log.hours < 10 ? log.hours.toFixed(1) : Math.round(log.hours)}\u00a0h of driving`,
  ].filter(Boolean);
  if (room.length) items.push({ name: "room", text: capital(room.join(", ")), bad: "" });
  return items;
}

const partItem = (kind) => (view) => ({
  name: `${kind} ${view.name}`,
  text: `${kind} ${view.name}: ${view.state}`,
  bad: [view.problem, view.restarts ? `restarted ${view.restarts} times` : ""].filter(Boolean).join("; "),
  wrong: Boolean(view.problem),
});

function showHealth(status) {
  const items = [
    ...logItems(status.log),
    ...status.sources.map(partItem("Source")),
    ...status.outputs.map(partItem("Output")),
    { name: "clock", text: `Clock: ${status.clock || "nothing to report"}`, bad: "" },
    { name: "power", text: `Last power cut: ${status.power_cut || "none known"}`, bad: "" },
  ];
  const wrong = items.filter((i) => i.wrong ?? i.bad).length;
  setText(byId("doing-short"), wrong ? `✕ ${wrong} to see to` : "✓ in order");
  if (byId("doing").open) rows(byId("parts"), items, (p) => p.name, parts("state", "detail"), (node, item, part) => {
    setText(part("state"), item.text);
    setText(part("detail"), item.bad ? `✕ ${capital(item.bad)}` : "");
  });
  rows(byId("notices"), status.notices, (n) => n, parts("notice"), (node, text, part) => setText(part("notice"), `● ${text}`));
  const missed = status.web.dropped ? `, ${status.web.dropped} events missed by slow pages` : "";
  const failed = status.web.failures ? `, ${status.web.failures} page failures` : "";
  setText(byId("version"), `Uphaul ${status.version}${missed}${failed}`);
}

// ---- tune -------------------------------------------------------------------------------------------------------------

function choose(tune) {
  const now_ms = performance.now();
  if (asked.tune === tune && now_ms < asked.until_ms) {
    asked = { tune: "", until_ms: 0 };
    act({ do: "tune", text: tune });
  } else {
    asked = { tune, until_ms: now_ms + SURE_MS };
  }
  showTunes(shown);
}

function showTunes(status) {
  byId("tunes").hidden = !status.tunes.length || status.played !== null;
  if (performance.now() > asked.until_ms) asked.tune = "";
  const build = (node) => node.append(button("", "choice", () => choose(node.dataset.key)));
  rows(byId("tune-list"), status.tunes, (t) => t, build, (node, tune, part) => {
    const made = part("choice");
    made.disabled = !canAct();
    made.setAttribute("aria-pressed", String(tune === status.tune));
    setText(made, asked.tune === tune ? `Tap again: ${tune}` : tune === status.tune ? `✓ ${tune}` : tune);
  });
}

// ---- settings ---------------------------------------------------------------------------------------------------------

function showSettings() {
  if (!byId("settings").open) return;
  for (const made of document.querySelectorAll("[data-set]")) {
    made.setAttribute("aria-pressed", String(String(device[made.dataset.set]) === made.dataset.to));
  }
  const [words] = soundState();
  setText(byId("sound-words"), words || "✓ Sound is on");
  byId("sound-test").disabled = words !== "";
  setText(byId("screen-words"), staysOn() ? "✓ The screen stays on while this page is seen" : "The screen may go dark by itself, and then nothing sounds: this browser lets this page do no more");
  const name = pairedAs();
  setText(byId("paired-words"), name ? `✓ This device is paired as ${name}` : name === null ? "This device is not paired: it looks, it cannot act" : "Not told whether this device is paired");
}

export function showOwner(status) {
  shown = status;
  showHealth(status);
  showTunes(status);
  showSettings();
}

export function showOwnerAgain() {
  if (shown) showOwner(shown);
  else showSettings();
}

export function startOwner(onSet) {
  for (const made of document.querySelectorAll("[data-set]")) {
    made.addEventListener("click", () => {
      const { set, to } = made.dataset;
      keep(set, set === "sound" ? to === "true" : to);
      applyLook();
      onSet();
    });
  }
  for (const id of ["doing", "settings"]) byId(id).addEventListener("toggle", showOwnerAgain); // made when looked at
  byId("sound-test").addEventListener("click", () => play("ease"));
  showSettings();
}
