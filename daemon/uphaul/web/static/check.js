// The field check: asked for twice a second, shown in big words, sounded and spoken; says so when no answer comes.

import { applyLook } from "./device.js";
import { sound } from "./prompts.js";

const EVERY_MS = 500;
const OLD_MS = 3000;
const PAUSE_S = 0.4;
const PRESSING = ["stop", "failed", "done", "passed", "broken", "hold", "next"];
const SHAPES = { passed: "✓", failed: "✕", "stopped by an alert": "✕", "could not be measured": "?", skipped: "–", "not needed": "–" };

const ALERTS = { ease: "▲", stop: "■" }; // as on the live page

const byId = (id) => document.getElementById(id);
const setText = (node, text) => {
  if (node.textContent !== text) node.textContent = text;
};
const make = (name, className, text) => {
  const node = document.createElement(name);
  node.className = className;
  node.textContent = text;
  return node;
};
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

let context = null;
let ends = 0; // when the last beep ends, in seconds of the context
let voice = null;
let heard = null; // how many news there had been; null before the first answer
let came_ms = -Infinity;
let shown = "";
let step = null;

applyLook();

// ---- sound and voice ----------------------------------------------------------------------------------------------

// Only a voice of this device: others send what is said to somebody.
function findVoice() {
  const all = globalThis.speechSynthesis?.getVoices() ?? [];
  voice = all.find((v) => v.localService && v.lang.startsWith("en")) ?? null;
}

const audible = () => context?.state === "running";

function sayHowItSounds() {
  byId("sound").hidden = audible();
  const words = voice ? "Steps are beeped and spoken." : "Steps are beeped: this browser has no voice of its own.";
  setText(byId("sound-said"), audible() ? words : "Sound is off until it is turned on here.");
}

function beep(kind) {
  if (!audible()) return;
  const now = context.currentTime;
  ends = sound(context, kind, ends > now ? ends + PAUSE_S : now + 0.02).until;
}

function speak(words) {
  if (!voice || !audible()) return;
  const said = new SpeechSynthesisUtterance(words);
  said.voice = voice;
  speechSynthesis.cancel();
  speechSynthesis.speak(said);
}

// All that was said since the last answer: one beep, the most pressing, and every word.
function tell(news) {
  const kinds = news.map((each) => each.kind);
  beep(PRESSING.find((kind) => kinds.includes(kind)));
  speak(news.map((each) => each.words).join(". "));
}

byId("sound").addEventListener("click", async () => {
  context ??= globalThis.AudioContext ? new AudioContext() : null;
  await context?.resume();
  findVoice();
  sayHowItSounds();
  beep("hold");
});

// ---- acting ----------------------------------------------------------------------------------------------------------

async function act(body) {
  let problem = "";
  try {
    const answer = await fetch("act", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(8000),
    });
    if (!answer.ok) problem = (await answer.json().catch(() => ({}))).problem || `not taken: the daemon answered ${answer.status}`;
  } catch {
    problem = "not taken: the daemon does not answer";
  }
  byId("problem").hidden = !problem;
  setText(byId("problem"), problem ? `✕ ${capital(problem)}` : "");
  return !problem;
}

byId("begin").addEventListener("submit", (event) => {
  event.preventDefault();
  act({ do: "check-begin", text: byId("name").value });
});
byId("skip").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (step && (await act({ do: "check-skip", rule: step.key, text: byId("reason").value }))) byId("reason").value = "";
});
byId("end").addEventListener("click", () => act({ do: "check-end" }));

// ---- showing ---------------------------------------------------------------------------------------------------------

function listOf(node, items) {
  if ([...node.children].map((c) => c.textContent).join("\n") === items.join("\n")) return;
  node.replaceChildren(...items.map((text) => make("li", "", text)));
}

function stateWords(check) {
  if (check.alert) return `${ALERTS[check.action] ?? ""} ${check.alert}`;
  if (check.holding_s !== null && check.left_s === 0) return "Held for long enough; more is measured too";
  if (check.holding_s !== null && check.left_s !== null) return `Hold it: ${Math.ceil(check.left_s)}\u00a0s more`;
  return check.missing.length ? "Still missing" : "Leave this state once, then come back to it";
}

function showNow(check) {
  step = check.step;
  byId("now").hidden = !check.running;
  byId("skip").hidden = !step;
  if (!check.running) return;
  setText(byId("step-title"), step ? step.title : "All steps");
  setText(byId("do"), step ? step.do : "No step is open. End the check.");
  setText(byId("state"), step ? stateWords(check) : "");
  byId("state").className = check.alert ? check.action : "";
  const holding = Boolean(step) && check.holding_s !== null && check.left_s !== null && !check.alert;
  byId("held").hidden = !holding;
  if (holding) byId("held").value = check.holding_s / Math.max(check.holding_s + check.left_s, 0.001);
  listOf(byId("missing"), step && !check.alert ? check.missing.map(capital) : []);
}

function showSteps(steps) {
  byId("all").hidden = !steps.length;
  const text = JSON.stringify(steps);
  if (text === shown) return;
  shown = text;
  byId("steps").replaceChildren(...steps.map((each) => {
    const node = document.createElement("li");
    const head = make("div", "head", "");
    const tries = each.attempts > 1 ? `, at attempt ${each.attempts}` : "";
    head.append(make("span", "", each.title), make("span", "", `${SHAPES[each.verdict] ?? "○"} ${each.verdict}${tries}`));
    node.append(head);
    if (each.why) node.append(make("div", "why", each.why));
    if (each.gaps) node.append(make("div", "why", `Judged over gaps: ${each.gaps}`));
    if (each.lines.length) {
      const lines = make("ul", "lines", "");
      for (const line of each.lines) {
        const row = document.createElement("li");
        row.append(make("span", "", line.name), make("span", line.outside ? "outside" : "", line.outside ? `✕ ${line.value}` : line.value), make("span", "band", line.band));
        lines.append(row);
      }
      node.append(lines);
    }
    return node;
  }));
}

function show(status) {
  const check = status.check;
  byId("invented").hidden = !status.invented;
  setText(byId("trip"), status.vehicle);
  byId("none").hidden = Boolean(check);
  byId("unpaired").hidden = !check || status.may_act || status.replayed;
  byId("begin").hidden = !check || check.running || !status.may_act;
  byId("end").hidden = !check?.running || !status.may_act;
  if (!check) return;
  setText(byId("title"), check.title);
  listOf(byId("cautions"), check.cautions);
  byId("no-drive").hidden = status.driving;
  showNow(check);
  byId("skip").hidden ||= !status.may_act;
  showSteps(check.steps);
  if (heard !== null && check.said > heard) tell(check.news.slice(heard - check.said));
  heard = check.said;
}

function judgeLive() {
  const live = performance.now() - came_ms < OLD_MS;
  setText(byId("live"), live ? "Live" : came_ms > 0 ? "✕ Not live: no answer" : "Starting");
  document.body.classList.toggle("late", !live && came_ms > 0);
}

async function ask() {
  try {
    const answer = await fetch("check.json", { cache: "no-store", signal: AbortSignal.timeout(OLD_MS) });
    if (answer.ok) {
      show(await answer.json());
      came_ms = performance.now();
    }
  } catch {
    // no answer: what is shown gets old, and the page says so
  }
  judgeLive();
  setTimeout(ask, EVERY_MS);
}

sayHowItSounds();
ask();
