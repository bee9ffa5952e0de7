// Sound on the page: actions are told apart by rhythm, not by pitch. Browsers allow none before the first tap.

import { device } from "./device.js";

// Start and length of each tone, in seconds.
const RHYTHMS = {
  note: [[0, 0.25]],
  ease: [[0, 0.18], [0.3, 0.18], [0.6, 0.18]],
  stop: [[0, 2.4]],
  normal: [[0, 0.06], [0.18, 0.06]], // too short to be taken for one that asks for something
};
const PITCH_HZ = 880;
const LOUD = 0.5;
const PAUSE_S = 0.4; // before a prompt of a field check
const EDGE_S = 0.012; // without it each tone clicks

let context = null;
let changed = () => {};
let heard = null; // number of the last call for a sound; null before the first event
let ends = 0; // when the last tone of an alert ends, in seconds of the context
let asked = null; // number of the last prompt of a field check
let calling = false; // whether an alert calls
let prompts = []; // those that sound or wait for it: when each ends, and what cuts it off

export const audible = () => device.sound && context?.state === "running";

/** What to say about sound, and whether a tap helps. */
export function soundState() {
  if (!device.sound) return ["Sound is off on this device: settings turn it on", false];
  if (!("AudioContext" in globalThis)) return ["This browser makes no sound", false];
  return audible() ? ["", false] : ["Sound is off: tap to turn on", true];
}

/** Sounds an action, or "normal" for what is back to normal. */
export function play(action) {
  if (!audible()) return;
  for (const prompt of prompts) prompt.hush(); // nothing sounds over an alert
  prompts = [];
  const start = context.currentTime + 0.02;
  for (const [at, length] of RHYTHMS[action] ?? []) {
    ends = start + at + length;
    const tone = context.createOscillator();
    const gain = context.createGain();
    tone.type = "triangle";
    tone.frequency.value = PITCH_HZ;
    gain.gain.setValueAtTime(0, start + at);
    gain.gain.linearRampToValueAtTime(LOUD, start + at + EDGE_S);
    gain.gain.setValueAtTime(LOUD, start + at + length - EDGE_S);
    gain.gain.linearRampToValueAtTime(0, start + at + length);
    tone.connect(gain).connect(context.destination);
    tone.start(start + at);
    tone.stop(start + at + length);
  }
}

/** Called with every event: each call for a sound sounds once. What sounded before the page was there does not. */
export function hear(sound) {
  const number = sound?.number ?? 0;
  if (heard !== null && number !== heard && number > 0) play(sound.action);
  heard = number;
}

/** Called with every event, after `hear`: each prompt of a field check sounds once, when no alert does; none while one `calls`. */
export async function hearPrompt(prompt, calls) {
  const number = prompt?.number ?? 0;
  const news = asked !== null && number !== asked && number > 0;
  asked = number;
  calling = calls;
  if (!news || calls || !audible()) return;
  const { sound } = await import("./prompts.js"); // few drives hear any: no part of the first view
  if (calling) return;
  const now = context.currentTime;
  prompts = prompts.filter((each) => each.until > now);
  const free = Math.max(ends, prompts.at(-1)?.until ?? 0);
  prompts.push(sound(context, prompt.kind, free > now ? free + PAUSE_S : now + 0.02));
}

// The first tap turns sound on; what stands unseen at that time is then told.
async function unlock(missed) {
  if (!device.sound || !("AudioContext" in globalThis) || context?.state === "running") return;
  if (context === null) {
    context = new AudioContext();
    context.addEventListener("statechange", () => changed());
  }
  await context.resume();
  const action = missed();
  if (action) play(action);
  changed();
}

export function listenForTaps(missed, onChange) {
  changed = onChange;
  for (const kind of ["click", "keydown"]) {
    document.addEventListener(kind, () => unlock(missed).catch(() => changed()), { capture: true });
  }
}
