// The event stream, and whether what it brings is live. A page that is not says so: see live.css for the veil that comes up by
// itself when this script stops.

import { changed } from "./changes.js";
import { byId, setText } from "./rows.js";
import { duration } from "./words.js";

const OLD_S = 2; // a tick older than this is not live; ticks come many times a second, events twice
const RETRY_MS = 2000;

let known = null; // the whole status, as of the newest event
let last = null; // the newest event: when it came (ms of this page) and what it says about its own age
let quickest_ms = Infinity; // least difference between our clock and the sender's since connecting: the undelayed one
let lost = false;
let renewed = false;
let called = "Live";
let onLive = () => {};

function whyNotLive(now_ms) {
  if (last === null) return lost ? "not connected to the vehicle" : "waiting for the first reading";
  const silent_s = (now_ms - last.came_ms) / 1000;
  if (silent_s > OLD_S) return `${lost ? "connection lost, " : ""}nothing received for ${duration(silent_s)}`;
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
    setText(byId("live"), `${called === "Live" ? "✓" : "▶"} ${called}`);
  } else {
    late.className = "";
    late.removeAttribute("aria-hidden");
    setText(byId("live"), "");
    setText(byId("why"), `: ${why}`);
  }
  const title = why ? "Not live – Uphaul" : called === "Live" ? "Uphaul" : `${called} – Uphaul`;
  if (document.title !== title) document.title = title;
  onLive(why === "");
}

function connect(show) {
  const source = new EventSource("events");
  source.onopen = () => {
    quickest_ms = Infinity; // the sender may have another clock now
    lost = false;
  };
  const take = (status) => {
    const now_ms = performance.now();
    const offset_ms = now_ms - status.sent_ms;
    quickest_ms = Math.min(quickest_ms, offset_ms);
    known = status;
    show(status);
    called = status.replayed ? "Replay" : "Live";
    last = { came_ms: now_ms, tick_age_s: status.tick_age_s, delay_s: (offset_ms - quickest_ms) / 1000 };
    judgeLive();
  };
  source.onmessage = (event) => take(JSON.parse(event.data)); // the whole status: the first event, and after a missed one
  source.addEventListener("change", (event) => take(changed(known, JSON.parse(event.data))));
  source.onerror = () => {
    lost = true;
    judgeLive();
    if (source.readyState !== EventSource.CLOSED) return; // the browser tries again by itself
    source.close();
    setTimeout(connect, RETRY_MS, show);
  };
}

/** Calls `show` with every status, `live` with true or false whenever that is judged. */
export function follow(show, live) {
  onLive = live;
  setInterval(() => {
    if (whyNotLive(performance.now()) !== "") judgeLive();
  }, 500);
  document.addEventListener("visibilitychange", judgeLive);
  judgeLive();
  connect(show);
}
