// What people do through the page: quiet, mark, set aside, reset, choose the tune. Acting needs a paired device and a live page.

import { byId, setText } from "./rows.js";
import { capital, clockTime } from "./words.js";

const PATIENCE_MS = 8000;
const SAID_MS = 8000;
const NOTE_MS = 20_000; // the place for a note goes by itself when nobody writes: it lies over the readings

let name; // of this device as paired; null: not paired; undefined: not told
let live = false;
let replaying = false;
let t_ms = null;
let unseen = 0;
let said = { words: "", until_ms: 0 };
let marked_ms = null; // the drive's time of the mark whose note is being written
let note_until_ms = 0;
let refresh = () => {};
let told = ""; // what others know of whether this device may act

// ---- asking -----------------------------------------------------------------------------------------------------------

// Plain fetch: other modes make the browser hide where the request comes from, and the server refuses that.
async function post(path, body) {
  try {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    const said = await answer.json().catch(() => ({}));
    if (answer.ok) return said;
    if (answer.status === 401 || said.pair) name = null;
    return { problem: said.problem || `not taken: the daemon answered ${answer.status}` };
  } catch {
    return { problem: "not taken: the daemon does not answer" };
  }
}

/** Asks for an act; {problem} in words when it was not taken. */
export async function act(body) {
  const answer = await post("act", body);
  say(answer.problem ? `✕ ${capital(answer.problem)}` : "");
  showBar();
  return answer;
}

export const control = (body) => post("play", body);

export async function askWhoIAm() {
  try {
    const answer = await fetch("me.json", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
    if (answer.ok) name = (await answer.json()).name;
  } catch {
    // not told: the answer to the first act will say
  }
  showBar();
}

export const pairedAs = () => name;

/** Whether acting makes sense now; buttons are disabled otherwise. */
export const canAct = () => live && !replaying && name !== null;

// ---- the bar ----------------------------------------------------------------------------------------------------------

function say(words) {
  said = { words, until_ms: performance.now() + SAID_MS };
}

function barWords() {
  if (replaying) return "A replay: nothing can be quieted or marked";
  if (!live) return "Not connected: nothing can be quieted or marked";
  if (said.words && performance.now() < said.until_ms) return said.words;
  if (name === null) return "";
  return unseen ? "" : "✓ Nothing to quiet";
}

function showBar() {
  byId("pairing").hidden = name !== null || replaying;
  byId("quiet").hidden = !unseen || name === null || replaying;
  byId("mark").hidden = name === null || replaying;
  byId("quiet").disabled = byId("mark").disabled = byId("note-send").disabled = !canAct();
  setText(byId("bar-words"), barWords());
  byId("bar-words").hidden = !byId("bar-words").textContent;
  const now = `${canAct()} ${name}`;
  if (now === told) return;
  told = now;
  refresh();
}

export function showActing(status, unseenCount) {
  t_ms = status.t_ms;
  replaying = status.played !== null;
  unseen = unseenCount;
  const note = byId("note");
  if (performance.now() > note_until_ms && !note.value && document.activeElement !== note) byId("marked").hidden = true;
  showBar();
}

export function actingIsLive(now) {
  live = now;
  showBar();
}

async function quiet() {
  if ((await act({ do: "quiet" })).problem) return;
  say("✓ Quieted");
  showBar();
}

async function mark() {
  if ((await act({ do: "mark", text: "" })).problem) return;
  marked_ms = t_ms;
  setText(byId("marked-words"), `✓ Marked at ${clockTime(marked_ms ?? 0)}`);
  byId("note").value = "";
  note_until_ms = performance.now() + NOTE_MS;
  byId("marked").hidden = false;
}

async function sendNote(event) {
  event.preventDefault();
  const text = byId("note").value.trim();
  if (text) {
    const answer = await act({ do: "mark", text: `${text} (to the mark at ${clockTime(marked_ms ?? 0)})` });
    if (answer.problem) return;
    say("✓ Note kept");
  }
  byId("marked").hidden = true;
  showBar();
}

export function startActing(onChange) {
  refresh = onChange;
  byId("quiet").addEventListener("click", quiet);
  byId("mark").addEventListener("click", mark);
  byId("marked").addEventListener("submit", sendNote);
  byId("marked-close").addEventListener("click", () => {
    byId("marked").hidden = true;
  });
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") askWhoIAm(); // paired in another tab meanwhile
  });
  askWhoIAm();
}
