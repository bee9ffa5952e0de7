// Shows the event stream, and says plainly when what it shows is not live.
"use strict";

const OLD_S = 2; // a tick older than this is not live; ticks come many times a second, events twice
const MOST_NOW = 4; // the instruction and three more; behind them a count
const MOST_PAST = 2; // of those that are over
const SHAPES = { note: "●", ease: "▲", stop: "■" };

const byId = (id) => document.getElementById(id);
const setText = (node, text) => {
  if (node.textContent !== text) node.textContent = text;
};

// ---- words ---------------------------------------------------------------------------------------------------------

const pad = (n) => String(n).padStart(2, "0");

function clockTime(t_ms) {
  const s = Math.floor(t_ms / 1000);
  return `${Math.floor(s / 3600)}:${pad(Math.floor(s / 60) % 60)}:${pad(s % 60)}`;
}

function duration(s) {
  if (s < 60) return `${Math.floor(s)} s`;
  const min = Math.floor(s / 60);
  if (min < 60) return `${min} min ${pad(Math.floor(s) % 60)} s`;
  return `${Math.floor(min / 60)} h ${pad(min % 60)} min`;
}

const plainName = (name) => name.replaceAll("_", " ");
const withUnit = (number, unit) => (unit ? `${number}\u00a0${unit}` : number);

// Decimals by size, as the commands write numbers: a limit of 0.033 must not read as 0, nor one of 716.787 to the thousandth.
function round(value) {
  const size = Math.abs(value);
  return String(Number(value.toFixed(size < 10 ? 3 : size < 100 ? 2 : 1)));
}

// What raised the alert: "egt went to 731 °C (limit 680 °C) 42 s ago".
function reason(alert) {
  if (alert.since_s === null) return "from an earlier drive";
  const parts = [plainName(alert.measure)];
  const unknown = alert.cause ? `became unknown: ${alert.cause}` : "became unknown";
  if (alert.value === null) parts.push(alert.limit === null ? unknown : "went past its limit");
  else parts.push(`went to ${withUnit(round(alert.value), alert.unit)}`);
  if (alert.limit !== null) {
    parts.push(`(${alert.side === "below" ? "at least" : "limit"} ${withUnit(round(alert.limit), alert.unit)})`);
  }
  parts.push(`${duration(alert.since_s)} ago`);
  return parts.join(" ");
}

function limits(signal) {
  const parts = [];
  if (signal.low !== null) parts.push(`at least ${round(signal.low)}`);
  if (signal.high !== null) parts.push(`limit ${round(signal.high)}`);
  return parts.join(", ");
}

// ---- rows: made once for each key, then only their texts change ------------------------------------------------------

function rows(list, items, keyOf, classes, fill) {
  const old = new Map([...list.children].map((node) => [node.dataset.key, node]));
  items.forEach((item, place) => {
    const key = keyOf(item);
    let node = old.get(key);
    old.delete(key);
    if (!node) {
      node = document.createElement("li");
      node.dataset.key = key;
      for (const name of classes) {
        const part = document.createElement("div");
        part.className = name;
        node.append(part);
      }
    }
    if (list.children[place] !== node) list.insertBefore(node, list.children[place] ?? null);
    fill(node, item, (name) => node.querySelector(`.${name}`));
  });
  for (const node of old.values()) node.remove();
}

// Which of the two lists a person has unfolded, and what each shows while it is folded.
const unfolded = { more: false, "more-past": false };
let shownAlerts = [];

function fold(id, all, most, words) {
  const button = byId(id);
  const behind = all.length - most;
  button.hidden = behind < 1;
  button.setAttribute("aria-expanded", String(unfolded[id]));
  setText(button, behind < 1 ? "" : unfolded[id] ? "show fewer" : words(behind));
  button.previousElementSibling.classList.toggle("whole", unfolded[id]);
  return unfolded[id] ? all : all.slice(0, most);
}

function showAlerts(alerts) {
  shownAlerts = alerts;
  const now = alerts.filter((a) => !a.over);
  const past = alerts.filter((a) => a.over);
  alertRows(byId("alerts"), fold("more", now, MOST_NOW, (n) => `and ${n} more`));
  alertRows(byId("past"), fold("more-past", past, MOST_PAST, (n) => `✓ ${n} more back to normal`));
  byId("calm").hidden = alerts.length > 0;
  const first = alerts.find((a) => a.state === "unacknowledged");
  setText(byId("spoken"), first ? `${first.act}. ${first.say}` : "");
}

for (const id of Object.keys(unfolded)) {
  byId(id).addEventListener("click", () => {
    unfolded[id] = !unfolded[id];
    showAlerts(shownAlerts);
  });
}

function alertRows(list, alerts) {
  rows(list, alerts, (a) => a.rule, ["act", "say", "reason", "words"], (node, alert, part) => {
    const fresh = alert.state === "unacknowledged";
    node.className = `${alert.over ? "over" : alert.action}${fresh ? " fresh" : ""}`;
    const held = alert.state.startsWith("latched"); // over, but a person must reset it: not to be overlooked
    setText(part("act"), `${alert.over ? "✓" : SHAPES[alert.action]} ${alert.act}${held ? `, ${alert.words}` : ""}`);
    const say = alert.again ? `${alert.say}. ${alert.again}` : alert.say;
    setText(part("say"), alert.over ? `It was: ${say}` : say);
    setText(part("reason"), reason(alert));
    setText(part("words"), held ? "" : alert.words);
  });
}

function showSignals(signals) {
  rows(byId("signals"), signals, (s) => s.name, ["name", "value", "meaning", "quality"], (node, signal, part) => {
    const known = signal.value !== null;
    node.className = signal.quality === "good" ? "" : "bad";
    setText(part("name"), plainName(signal.name));
    setText(part("meaning"), [signal.meaning, signal.computed ? "computed" : ""].filter(Boolean).join(", "));
    const value = part("value");
    if (!value.firstChild) {
      value.append(document.createElement("span"), document.createElement("span"));
      value.lastChild.className = "unit";
    }
    setText(value.firstChild, known ? signal.value.toFixed(signal.decimals) : "–");
    setText(value.lastChild, signal.unit);
    const quality = signal.quality === "good" ? "good" : `✕ ${signal.quality}`;
    setText(part("quality"), [quality, limits(signal)].filter(Boolean).join(" · "));
  });
}

function showHealth(status) {
  const parts = [
    {
      name: "log",
      text: `Log: ${status.log.state}`,
      bad: [status.log.problem, status.log.lost_ticks ? `${status.log.lost_ticks} ticks lost` : ""].filter(Boolean).join("; "),
    },
    ...status.sources.map((s) => ({
      name: `source ${s.name}`,
      text: `Source ${s.name}: ${s.state}`,
      bad: [s.problem, s.restarts ? `restarted ${s.restarts} times` : ""].filter(Boolean).join("; "),
    })),
  ];
  rows(byId("parts"), parts, (p) => p.name, ["state", "detail"], (node, item, part) => {
    setText(part("state"), item.text);
    setText(part("detail"), item.bad ? `✕ ${item.bad}` : "");
  });
  rows(byId("notices"), status.notices, (n) => n, ["notice"], (node, text, part) => setText(part("notice"), `● ${text}`));
  const missed = status.web.dropped ? `, ${status.web.dropped} events missed by slow pages` : "";
  const failed = status.web.failures ? `, ${status.web.failures} page failures` : "";
  setText(byId("version"), `Uphaul ${status.version}${missed}${failed}`);
}

function show(status) {
  byId("invented").hidden = !status.invented;
  byId("replayed").hidden = !status.replayed;
  const trip = [
    status.vehicle,
    `tune ${status.tune === null ? "unknown" : status.tune}`,
    status.drive === null ? "between drives" : `drive ${status.drive}`,
    status.t_ms === null ? "" : clockTime(status.t_ms),
  ];
  setText(byId("trip"), trip.filter(Boolean).join(" · "));
  showAlerts(status.alerts);
  showSignals(status.signals);
  showHealth(status);
}

// ---- live or not ----------------------------------------------------------------------------------------------------

let last = null; // the newest event: when it came (ms of this page) and what it says about its own age
let quickest_ms = Infinity; // least difference between our clock and the sender's since connecting: the undelayed one
let renewed = false;

function whyNotLive(now_ms) {
  if (last === null) return "waiting for the first reading";
  const silent_s = (now_ms - last.came_ms) / 1000;
  if (silent_s > OLD_S) return `nothing received for ${duration(silent_s)}`;
  if (last.tick_age_s === null) return "nothing has been judged yet";
  if (last.delay_s > OLD_S) return `what arrives is ${duration(last.delay_s)} old`;
  if (last.tick_age_s + last.delay_s + silent_s > OLD_S) return `the last reading is ${duration(last.tick_age_s + silent_s)} old`;
  return "";
}

function judgeLive() {
  const why = whyNotLive(performance.now());
  const late = byId("late");
  if (why === "") {
    renewed = !renewed;
    late.className = renewed ? "renew-a" : "renew-b"; // from here the veil comes up by itself in four seconds
    late.setAttribute("aria-hidden", "true");
    setText(byId("live"), "✓ Live");
    if (document.title !== "Uphaul") document.title = "Uphaul";
  } else {
    late.className = "";
    late.removeAttribute("aria-hidden");
    setText(byId("live"), "");
    setText(byId("why"), `: ${why}`);
    if (document.title !== "Not live – Uphaul") document.title = "Not live – Uphaul";
  }
}

function receive(event) {
  const status = JSON.parse(event.data);
  const now_ms = performance.now();
  const offset_ms = now_ms - status.sent_ms;
  quickest_ms = Math.min(quickest_ms, offset_ms);
  show(status);
  last = { came_ms: now_ms, tick_age_s: status.tick_age_s, delay_s: (offset_ms - quickest_ms) / 1000 };
  judgeLive();
}

function connect() {
  const source = new EventSource("events");
  source.onopen = () => {
    quickest_ms = Infinity; // the sender may have another clock now
  };
  source.onmessage = receive;
  source.onerror = () => {
    if (source.readyState !== EventSource.CLOSED) return; // the browser tries again by itself
    source.close();
    setTimeout(connect, 2000);
  };
}

setInterval(() => {
  if (whyNotLive(performance.now()) !== "") judgeLive();
}, 500);
document.addEventListener("visibilitychange", judgeLive);
judgeLive();
connect();
