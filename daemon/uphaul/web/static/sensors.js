// Shows what every input reads, asked for once a second, and says so when no answer comes.
"use strict";

const EVERY_MS = 1000;
const OLD_MS = 3500;

const byId = (id) => document.getElementById(id);
const setText = (node, text) => {
  if (node.textContent !== text) node.textContent = text;
};

// Decimals by size, as the commands write numbers.
function round(value) {
  const size = Math.abs(value);
  return String(Number(value.toFixed(size < 10 ? 3 : size < 100 ? 2 : 1)));
}
const told = (value, unit) => (unit && unit !== "1" ? `${round(value)}\u00a0${unit}` : round(value));

function rawWords(input) {
  const parts = [];
  if (input.counts !== null) parts.push(`${round(input.counts)} counts`);
  if (input.raw) parts.push(input.raw);
  if (input.electrical !== null) parts.push(told(input.electrical, input.electrical_unit));
  if (input.beside !== null) parts.push(`beside ${told(input.beside, input.beside_unit)}`);
  if (input.ohms !== null) parts.push(told(input.ohms, "ohm"));
  return parts.join(" · ");
}

function flowWords(input) {
  const parts = [];
  if (input.noise !== null) parts.push(`noise ${told(Number(input.noise.toPrecision(3)), input.unit)}`);
  if (input.rate_hz !== null) parts.push(`${input.rate_hz.toFixed(1)}/s`);
  if (input.age_s !== null) parts.push(`${input.age_s.toFixed(1)}\u00a0s old`);
  return parts.join(" · ");
}

function qualityWords(input) {
  const words = input.quality === "good" ? "good" : `✕ ${input.quality}`;
  return input.unknown ? `${words} (${input.unknown} of ${input.readings} without a value)` : words;
}

function line(input) {
  const node = document.createElement("li");
  node.dataset.key = input.signal;
  for (const name of ["name", "value", "place", "quality", "raw", "flow", "trouble"]) {
    const part = document.createElement("div");
    part.className = name;
    node.append(part);
  }
  return node;
}

function show(status) {
  byId("invented").hidden = !status.invented;
  setText(byId("trip"), status.vehicle);
  byId("back").hidden = !status.beside_live;
  const list = byId("inputs");
  const old = new Map([...list.children].map((node) => [node.dataset.key, node]));
  for (const input of status.inputs) {
    let node = old.get(input.signal);
    if (!node) {
      node = line(input);
      list.append(node);
    }
    const part = (name) => node.querySelector(`.${name}`);
    node.className = input.quality === "good" ? "" : "bad";
    setText(part("name"), input.signal.replaceAll("_", " "));
    setText(part("place"), [`${input.source} ${input.channel}`, input.frame, input.sensor, input.calibrated ? "calibrated" : ""].filter(Boolean).join(" · "));
    setText(part("value"), input.value === null ? "–" : told(input.value, input.unit));
    setText(part("quality"), qualityWords(input));
    setText(part("raw"), rawWords(input));
    setText(part("flow"), flowWords(input));
    setText(part("trouble"), input.problem ? `✕ source ${input.source} is ${input.source_state}: ${input.problem}` : "");
  }
}

let came_ms = -Infinity;

function judgeLive() {
  const live = performance.now() - came_ms < OLD_MS;
  setText(byId("live"), live ? "✓ Live" : "✕ Not live: no answer, these numbers are old");
  document.body.classList.toggle("late", !live);
}

async function ask() {
  try {
    const answer = await fetch("inputs.json", { cache: "no-store", signal: AbortSignal.timeout(OLD_MS) });
    if (answer.ok) {
      show(await answer.json());
      came_ms = performance.now();
    }
  } catch {
    // no answer: the judgement below says so
  }
  judgeLive();
  setTimeout(ask, EVERY_MS);
}

judgeLive();
setInterval(judgeLive, 500);
ask();
