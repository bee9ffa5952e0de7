// The upper half: what to do, why, since when; behind it a count; below, what is back to normal and what is set aside.

import { act, canAct } from "./acting.js";
import { button, byId, parts, rows, setText } from "./rows.js";
import { play } from "./sound.js";
import { SHAPES, duration, minutesLeft, nameOf, raisedAt, reason } from "./words.js";

const MOST_PAST = 2; // of those that are over
const RECOVERED_MS = 8000; // how long a recovery is told
const SHELF_MIN = 10;
const UNSEEN = ["unacknowledged", "returned-unacknowledged", "latched-unacknowledged"];

let shown = null;
const unfolded = { more: false, "more-past": false, why: false };
let first = ""; // rule and raise of the instruction: its details are not the next one's
const recoveries = new Map(); // rule and raise -> when it was first told here, ms; those from before the page are old
let begun = false;

export const isUnseen = (alert) => UNSEEN.includes(alert.state);
const isLatched = (alert) => alert.over && alert.state.startsWith("latched");
const keyOf = (alert) => `${alert.rule} ${alert.raise}`;
const whole = (alert) => (alert.again ? `${alert.say}. ${alert.again}` : alert.say);

/** The action of the most pressing alert that nobody has seen, "" for none: what is sounded when sound comes on. */
export const unseenAction = () => shown?.alerts.find((a) => a.state === "unacknowledged")?.action ?? "";

// ---- buttons of one alert ---------------------------------------------------------------------------------------------

function control(words, name, request) {
  return (node) => {
    const made = button(words, `small ${name}`, () => act(request(node.dataset.key)));
    node.querySelector(".controls").append(made);
  };
}

const shelve = control(`Set aside for ${SHELF_MIN} min`, "shelve", (rule) => ({ do: "shelve", rule, minutes: SHELF_MIN }));
const reset = control("Reset", "reset", (rule) => ({ do: "reset", rule }));
const backOn = control("Back on", "back", (rule) => ({ do: shown.aside.find((a) => a.rule === rule)?.state === "out-of-service" ? "enable" : "unshelve", rule }));

function showControls(part, alert) {
  const usable = canAct();
  for (const [name, fits] of [["shelve", !alert.over && alert.action !== "stop"], ["reset", isLatched(alert)], ["back", true]]) {
    const made = part(name);
    if (!made) continue;
    made.hidden = !fits || !shown || shown.played !== null;
    made.disabled = !usable;
  }
}

// ---- lists ------------------------------------------------------------------------------------------------------------

const others = (node) => {
  parts("act", "say", "reason", "left", "words", "controls")(node);
  shelve(node);
};
const past = (node) => {
  parts("act", "say", "reason", "controls")(node);
  reset(node);
};
const aside = (node) => {
  parts("act", "say", "words", "controls")(node);
  backOn(node);
};

function fold(id, count, words) {
  const made = byId(id);
  made.hidden = count < 1;
  made.setAttribute("aria-expanded", String(unfolded[id]));
  setText(made, count < 1 ? "" : unfolded[id] ? "Show fewer" : words);
}

function showOthers(alerts) {
  fold("more", alerts.length, `and ${alerts.length} more`);
  byId("others").hidden = !unfolded.more || !alerts.length;
  rows(byId("others"), unfolded.more ? alerts : [], (a) => a.rule, others, (node, alert, part) => {
    node.className = alert.action;
    setText(part("act"), `${SHAPES[alert.action]} ${alert.act}`);
    setText(part("say"), whole(alert));
    setText(part("reason"), reason(alert));
    setText(part("left"), minutesLeft(alert, shown.signals));
    setText(part("words"), alert.words);
    showControls(part, alert);
  });
}

function recovered(status) {
  const now_ms = performance.now();
  const told = [];
  let news = false;
  for (const item of status.recovered) {
    const key = keyOf(item);
    if (!recoveries.has(key)) {
      recoveries.set(key, begun ? now_ms : -Infinity);
      news ||= begun;
    }
    if (now_ms - recoveries.get(key) < RECOVERED_MS) told.push({ ...item, recovery: true });
  }
  const kept = new Set(status.recovered.map(keyOf));
  for (const key of recoveries.keys()) if (!kept.has(key)) recoveries.delete(key);
  begun = true;
  if (news && !status.alerts.some(isUnseen)) play("normal"); // what still waits to be seen is not to sound like the end of it
  return told.filter((item) => !status.alerts.some((a) => a.rule === item.rule)).reverse();
}

function showPast(over, told) {
  const most = unfolded["more-past"] ? over.length : MOST_PAST;
  const behind = over.length - MOST_PAST;
  fold("more-past", behind, `✓ ${behind} more back to normal`);
  const items = [...told, ...over.slice(0, most)];
  byId("past").hidden = !items.length;
  rows(byId("past"), items, (a) => a.rule, past, (node, alert, part) => {
    node.className = alert.recovery ? "recovery" : "over";
    setText(part("act"), `✓ Back to normal${isLatched(alert) ? `, ${alert.words}` : ""}`);
    setText(part("say"), `It was: ${alert.recovery ? alert.say : whole(alert)}`);
    setText(part("reason"), alert.recovery ? "" : reason(alert));
    if (alert.recovery) part("reset").hidden = true;
    else showControls(part, alert);
  });
}

function showAside(alerts) {
  byId("aside").hidden = !alerts.length;
  rows(byId("aside-list"), alerts, (a) => a.rule, aside, (node, alert, part) => {
    const left = alert.shelf_left_s;
    setText(part("act"), `${SHAPES[alert.action]} ${alert.state === "shelved" ? "Set aside for now" : "Off for now"}`);
    setText(part("say"), alert.say);
    setText(part("words"), left === null ? "until it is put back on" : `${duration(left)} left`);
    showControls(part, alert);
  });
}

// ---- the instruction --------------------------------------------------------------------------------------------------

function showFirst(alert) {
  const node = byId("alert");
  node.hidden = alert === null;
  document.body.classList.toggle("alerted", alert !== null);
  const key = alert === null ? "" : keyOf(alert);
  if (key !== first) unfolded.why = false;
  first = key;
  if (alert === null) return;
  node.dataset.key = alert.rule;
  node.className = `${alert.action} ${isUnseen(alert) ? "fresh" : "seen"}`;
  const part = (name) => node.querySelector(`.${name}`);
  setText(part("shape"), SHAPES[alert.action]);
  setText(byId("act"), alert.act);
  setText(part("reason"), reason(alert));
  setText(part("say"), whole(alert));
  setText(part("left"), minutesLeft(alert, shown.signals));
  setText(part("words"), isUnseen(alert) ? "" : `✓ ${alert.words}`);
  setText(byId("why-raised"), [raisedAt(alert), alert.latching ? "Held until reset once it is over" : ""].filter(Boolean).join(" · "));
  showControls(part, alert);
  byId("why-more").hidden = !unfolded.why;
  byId("why-button").setAttribute("aria-expanded", String(unfolded.why));
  setText(byId("why-button"), unfolded.why ? "Less" : "Details");
}

function showUnknown(signals) {
  const lost = signals.filter((s) => s.required && s.value === null);
  rows(byId("unknown"), lost, (s) => s.name, parts("what"), (node, signal, part) => {
    setText(part("what"), `✕ ${nameOf(signal.name)} is not known${signal.quality === "unknown" ? "" : `: ${signal.quality}`}`);
  });
}

export function showAlerts(status) {
  shown = status;
  const now = status.alerts.filter((a) => !a.over);
  showUnknown(status.signals);
  showFirst(now[0] ?? null);
  showOthers(now.slice(1));
  showPast(status.alerts.filter((a) => a.over), recovered(status));
  showAside(status.aside);
  byId("calm").hidden = status.alerts.length > 0;
  const fresh = now.find((a) => a.state === "unacknowledged");
  setText(byId("spoken"), fresh ? `${fresh.act}. ${fresh.say}` : "");
  setText(byId("welcome-alert"), now[0] ? `${SHAPES[now[0].action]} ${now[0].act}` : "");
}

export function startAlerts() {
  shelve(byId("alert"));
  for (const id of ["more", "more-past"]) {
    byId(id).addEventListener("click", () => {
      unfolded[id] = !unfolded[id];
      showAlerts(shown);
    });
  }
  byId("why-button").addEventListener("click", () => {
    unfolded.why = !unfolded.why;
    showAlerts(shown);
  });
}

/** Shows again what is shown, because something beside the vehicle changed: units, pairing, the connection. */
export function showAlertsAgain() {
  if (shown) showAlerts(shown);
}
