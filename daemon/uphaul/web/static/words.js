// How numbers, times and alerts are put into words, in the units that this device shows.

export const SHAPES = { note: "●", ease: "▲", stop: "■" };
export const ASKS = { note: "look when stopped", ease: "ease off", stop: "stop when safe" };
const SHORT_NAMES = ["egt", "map", "afr", "iat", "rpm", "obd"];
const GAP = "\u00a0";

let table = {};
let system = "metric";

/** `units` is what /units.json says; until it is there, values stay in the unit they come in. */
export function useUnits(units, name) {
  table = units ?? table;
  system = name;
}

// ---- numbers ----------------------------------------------------------------------------------------------------------

const rule = (code) => table[code]?.[system] ?? null;

/** A value of the unit `code` in the unit shown. Differences have no part in an offset. */
export function shown(value, code, difference = false) {
  const to = rule(code);
  return to ? value * to.factor + (difference ? 0 : to.offset) : value;
}

export const unitWords = (code, words) => rule(code)?.words ?? words;

const signed = (text) => text.replace("-", "−").replace(/^−(0\.?0*)$/, "$1");
const withUnit = (number, unit) => (unit ? `${number}${unit === "°" ? "" : GAP}${unit}` : number);

/** How many decimals fewer or more the unit shown takes than the unit `code`. */
function moreDecimals(code) {
  const to = rule(code);
  return to ? -Math.round(Math.log10(Math.abs(to.factor))) : 0;
}

export const decimalsOf = (signal) => Math.max(signal.decimals + moreDecimals(signal.code), 0);

export const numberOf = (signal) => signed(shown(signal.value, signal.code).toFixed(decimalsOf(signal)));

/** As many decimals as a reading of the size of `size` can use. */
const bySize = (size) => (size < 1 ? 3 : size < 10 ? 2 : size < 40 ? 1 : 0);

const trimmed = (value, decimals) => signed(String(Number(value.toFixed(decimals))));

/** A value of the unit `code`, with the decimals that a limit of the size of `like` needs. */
function sized(value, like, code, words, difference = false) {
  const decimals = bySize(Math.abs(shown(like ?? value, code, difference)));
  return withUnit(trimmed(shown(value, code, difference), decimals), unitWords(code, words));
}

// ---- times ------------------------------------------------------------------------------------------------------------

const pad = (n) => String(n).padStart(2, "0");

export function clockTime(t_ms) {
  const s = Math.floor(t_ms / 1000);
  return `${Math.floor(s / 3600)}:${pad(Math.floor(s / 60) % 60)}:${pad(s % 60)}`;
}

export function duration(s) {
  const whole = Math.max(Math.floor(s), 0);
  if (whole < 60) return `${whole}${GAP}s`;
  const min = Math.floor(whole / 60);
  if (min >= 60) return `${Math.floor(min / 60)}${GAP}h ${pad(min % 60)}${GAP}min`;
  return whole % 60 ? `${min}${GAP}min ${pad(whole % 60)}${GAP}s` : `${min}${GAP}min`;
}

/** A time that nobody knows to the second. */
const about = (s) => (s < 90 ? `about ${Math.max(Math.round(s / 10) * 10, 10)}${GAP}s` : `about ${Math.round(s / 60)}${GAP}min`);

// ---- names ------------------------------------------------------------------------------------------------------------

const plain = (name) => name.replaceAll("_", " ").split(" ").map((word) => (SHORT_NAMES.includes(word) ? word.toUpperCase() : word)).join(" ");

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** What a person calls a signal: "Oil pressure", "EGT". */
export const nameOf = (name) => capital(plain(name));

// ---- alerts -----------------------------------------------------------------------------------------------------------

const atLeast = (side) => (side === "below" ? "at least" : "limit");

/** Whether a reading is past the limit of the alert now: an alert lasts some seconds after it is back. */
export const isPast = (alert) =>
  alert.now !== null && alert.limit !== null && (alert.side === "below" ? alert.now < alert.limit : alert.now > alert.limit);

const isSlope = ({ measure, signal }) => measure === `slope of ${signal}`;

/** A slope, which comes in the unit per second, as people say it. */
function perMinute({ code, unit, limit }, slope) {
  const base = code.replace(/\/s$/, "");
  const minute = (x) => shown(Math.abs(x) * 60, base, true);
  const decimals = bySize(minute(limit)) > 1 ? 1 : 0;
  return withUnit(trimmed(minute(slope), decimals), `${unitWords(base, unit.replace(/\/s$/, ""))}/min`);
}

// What is past what: "EGT 731 °C · limit 720 °C".
function measured(alert) {
  const { measure, signal, code, unit, side, limit } = alert;
  if (alert.cause) return `${nameOf(signal || measure)} unknown: ${alert.cause}`;
  const itself = measure === signal || !signal;
  const value = itself && !alert.over && alert.now !== null ? alert.now : alert.value;
  if (limit === null) return value === null ? `${nameOf(measure)} unknown` : `${nameOf(measure)} ${sized(value, null, code, unit)}`;
  if (value === null) return `${nameOf(measure)} past its limit`;
  if (code === "s") return `${nameOf(measure)}: ${duration(value)} · ${atLeast(side)} ${duration(limit)}`;
  if (isSlope(alert)) return `${nameOf(signal)} ${value < 0 ? "falling" : "rising"} ${perMinute(alert, value)} · limit ${perMinute(alert, limit)}`;
  if (!itself) {
    const off = (x) => sized(Math.abs(x), Math.abs(limit), code, unit, true);
    return `${nameOf(signal)} ${off(value)} ${side === "below" ? "under" : "over"} the expected curve · limit ${off(limit)}`;
  }
  const back = !alert.over && alert.now !== null && !isPast(alert) ? "back within " : "";
  return `${nameOf(measure)} ${sized(value, limit, code, unit)} · ${back || `${atLeast(side)} `}${sized(limit, limit, code, unit)}`;
}

/** The reason in one line: what, its limit, since when. */
export function reason(alert) {
  if (alert.since_s === null) return "From an earlier drive";
  if (alert.over) return `${measured(alert)} · began ${duration(alert.since_s)} ago`;
  return `${measured(alert)} · ${alert.since_s < 2 ? "just now" : `for ${duration(alert.since_s)}`}`;
}

/** What it was at the tick that raised it, for who unfolds it. */
export function raisedAt(alert) {
  if (alert.value === null || alert.since_s === null || alert.cause) return "";
  if (isSlope(alert) && alert.limit !== null) return `Raised at ${perMinute(alert, alert.value)}`;
  return `Raised at ${alert.code === "s" ? duration(alert.value) : sized(alert.value, alert.limit, alert.code, alert.unit, alert.measure !== alert.signal)}`;
}

// ---- room -------------------------------------------------------------------------------------------------------------

const STEADY = 0.005; // of the limit, each minute: less is no movement that a driver could use

export function trendWords(signal) {
  const { trend, limit } = signal.room;
  if (trend === null) return "";
  const size = Math.max(Math.abs(limit), 1);
  if (Math.abs(trend) < STEADY * size) return "→ steady";
  const figure = String(Number(shown(Math.abs(trend), signal.code, true).toPrecision(2))); // it wavers: no more figures
  return `${trend > 0 ? "↗ rising" : "↘ falling"} ${withUnit(figure, unitWords(signal.code, signal.unit))}/min`;
}

/** The room of a signal in words; `left` is what is written large, of figures that agree with the others shown. */
export function roomWords(signal) {
  const { room, code, unit } = signal;
  const limitShown = shown(room.limit, code);
  const decimals = Math.min(bySize(Math.abs(limitShown)), decimalsOf(signal) + 1);
  const rounded = (value) => Number(shown(value, code).toFixed(decimals));
  const between = (value, limit) => (rounded(limit) - rounded(value)) * (room.side === "below" ? -1 : 1);
  const figure = (value) => trimmed(value, decimals);
  const words = unitWords(code, unit);
  const left = between(signal.value, room.limit);
  const past = room.left < 0;
  const ahead = room.ahead && withUnit(figure(shown(room.ahead.limit, code)), words);
  const more = room.ahead && room.ahead.action !== room.action ? `next limit ${ahead}: ${ASKS[room.ahead.action]}` : "";
  const worst = room.worst && between(room.worst.value, room.worst.limit);
  return {
    past,
    left: figure(Math.abs(left)),
    unit: words,
    after: past ? "past its limit" : "left",
    until: past ? [`its limit is ${withUnit(figure(limitShown), words)}: ${ASKS[room.action]}`, more].filter(Boolean).join(" · ") : `until ${ASKS[room.action]} at ${withUnit(figure(limitShown), words)}`,
    limit: ahead ?? withUnit(figure(limitShown), words), // that comes next
    next: `until the next limit, ${withUnit(figure(limitShown), words)}: ${ASKS[room.action]}`,
    now: `now ${withUnit(figure(rounded(signal.value)), words)}`,
    trend: trendWords(signal),
    lasts: !past && room.left_s !== null ? `lasts ${about(room.left_s)} at this rate` : "",
    worst: worst === null ? "" : `least of this drive: ${withUnit(figure(Math.abs(worst)), words)} ${worst < 0 ? "past it" : "left"} at ${clockTime(room.worst.t_ms)}`,
    short: `${withUnit(figure(Math.abs(left)), words)} ${past ? "past" : "left"}`,
  };
}

/** How near a share is, for the eye and in words. */
export function nearness(share) {
  if (share < 0) return ["past", "past its limit"];
  if (share < 0.25) return ["close", "close to its limit"];
  return share < 0.6 ? ["nearer", "getting closer"] : ["far", "room to spare"];
}

/** How long until the limit that the alert's signal comes to next, where that is known. */
export function minutesLeft(alert, signals) {
  const signal = signals.find((s) => s.name === alert.signal);
  if (alert.left_s === null || alert.over || !signal?.room) return "";
  return `${capital(about(alert.left_s))} at this rate to the next limit, ${roomWords(signal).limit}`;
}

/** Limits in force of a signal, for the list of all readings. Of a signal that is `past` one, those ahead are the next. */
export function limits(signal, past) {
  const write = (value) => sized(value, value, signal.code, "").replace(/[^\d.−].*$/, "");
  return [
    signal.low === null ? "" : `${past && signal.value >= signal.low ? "next: " : ""}at least ${write(signal.low)}`,
    signal.high === null ? "" : `${past && signal.value <= signal.high ? "next " : ""}limit ${write(signal.high)}`,
  ].filter(Boolean).join(", ");
}
