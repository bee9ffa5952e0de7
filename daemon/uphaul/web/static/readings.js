// How much room is left: the signal nearest to its limit large, the next few, then every limit in the order of the file.

import { Nearest } from "./nearest.js";
import { byId, make, parts, rows, setText } from "./rows.js";
import { isPast, limits, nameOf, nearness, numberOf, roomWords, trendWords, unitWords } from "./words.js";

const FEW = 4; // so many rows are seen at once anyway
const nearest = new Nearest();
const withRoom = new Set(); // signals that had a limit once keep their row: nothing jumps
let shown = null;

const unitOf = (signal) => unitWords(signal.code, signal.unit);

// A bar of the room: full is as much as usual, empty is at the limit. Its words stand beside it.
function showBar(bar, share) {
  bar.className = `bar ${nearness(share)[0]}`;
  bar.style.setProperty("--room", `${Math.min(Math.max(share, 0), 1) * 100}%`);
}

function makeBar() {
  const bar = make("div", "bar");
  bar.setAttribute("aria-hidden", "true");
  bar.append(make("div", "room"));
  return bar;
}

const pastNow = (signal) =>
  (signal.room !== null && signal.room.left < 0) || shown.alerts.some((a) => !a.over && a.signal === signal.name && a.measure === signal.name && isPast(a));

function qualityWords(signal) {
  if (signal.quality !== "good") return `✕ ${signal.quality}`;
  if (pastNow(signal)) return "▲ past its limit";
  return "good";
}

// ---- the nearest ------------------------------------------------------------------------------------------------------

function showTop(signal) {
  const node = byId("room");
  node.hidden = signal === null;
  byId("no-room").hidden = signal !== null;
  if (signal === null) return;
  const words = roomWords(signal);
  const past = words.past || pastNow(signal);
  const [level, meaning] = past ? nearness(-1) : nearness(signal.room.share);
  node.className = level;
  setText(byId("room-name"), nameOf(signal.name));
  setText(byId("room-near"), meaning);
  setText(byId("room-left"), words.left);
  setText(byId("room-unit"), words.unit);
  setText(byId("room-after"), words.after);
  setText(byId("room-until"), past && !words.past ? words.next : words.until);
  setText(byId("room-now"), [words.now, words.trend].filter(Boolean).join(" · "));
  setText(byId("room-lasts"), words.lasts);
  setText(byId("room-worst"), words.worst);
  const bar = node.querySelector(".bar");
  showBar(bar, past && !words.past ? Math.min(signal.room.share, 0.24) : signal.room.share);
  const worst = signal.room.worst?.share ?? null;
  bar.style.setProperty("--least", `${Math.min(Math.max(worst ?? 0, 0), 1) * 100}%`);
  bar.classList.toggle("marked", worst !== null);
}

// ---- rows -------------------------------------------------------------------------------------------------------------

const roomRow = (node) => {
  parts("name", "left", "value")(node);
  node.append(makeBar());
};

function fillRoom(node, signal, part) {
  const known = signal.value !== null;
  const words = known && signal.room !== null ? roomWords(signal) : null;
  setText(part("name"), nameOf(signal.name));
  setText(part("value"), known ? [`${numberOf(signal)}\u00a0${unitOf(signal)}`.trim(), words?.trend.charAt(0)].filter(Boolean).join(" ") : "–");
  setText(part("left"), words ? (pastNow(signal) && !words.past ? "past its limit" : words.short) : known ? "no limit now" : `✕ ${signal.quality}`);
  const bar = node.querySelector(".bar");
  bar.classList.toggle("none", words === null);
  if (words) showBar(bar, signal.room.share);
  node.className = known ? (words && pastNow(signal) ? "past" : "") : "bad";
}

function fillReading(node, signal, part) {
  const known = signal.value !== null;
  node.className = signal.quality === "good" ? (pastNow(signal) ? "past" : "") : "bad";
  setText(part("name"), nameOf(signal.name));
  setText(part("meaning"), [signal.meaning, signal.computed ? "computed" : ""].filter(Boolean).join(", "));
  setText(part("value"), known ? signal.value === null ? "–" : `${numberOf(signal)}\u00a0${unitOf(signal)}`.trim() : "–");
  setText(part("quality"), [qualityWords(signal), limits(signal, pastNow(signal)), known && signal.room ? trendWords(signal) : ""].filter(Boolean).join(" · "));
}

// Limits that only ask for a look, on computed signals, are guards: they stand under all readings.
const watched = (signal) => signal.room !== null && (signal.room.action !== "note" || !signal.computed);

export function showReadings(status) {
  shown = status;
  for (const signal of status.signals) if (watched(signal)) withRoom.add(signal.name);
  const { top, next } = nearest.choose(status.signals.filter((s) => withRoom.has(s.name)), performance.now());
  showTop(top);
  const few = withRoom.size <= FEW;
  rows(byId("next"), few ? [] : next, (s) => s.name, roomRow, fillRoom);
  byId("next-title").hidden = few;
  rows(byId("rooms"), status.signals.filter((s) => withRoom.has(s.name)), (s) => s.name, roomRow, fillRoom);
  byId("rooms-title").hidden = !withRoom.size;
  if (byId("all").open) rows(byId("signals"), status.signals, (s) => s.name, parts("name", "value", "meaning", "quality"), fillReading);
}

export function showReadingsAgain() {
  if (shown) showReadings(shown);
}

export function startReadings() {
  byId("room").querySelector(".track").append(makeBar());
  byId("all").addEventListener("toggle", showReadingsAgain);
}

