// Puts the page together: loads the drive, and carries what happens in one part to the others.

import { Around } from "/around.js";
import { Fits } from "/fits.js";
import { Rules } from "/rules.js";
import { Timeline } from "/timeline.js";
import { amount, ask, at, clock, lasted, make, number } from "/words.js";

function failed(error) {
  const box = at("broken");
  box.hidden = false;
  // What the program answers is in words already; what the browser says of it is not.
  box.textContent = error instanceof TypeError ? `The page lost its program (${error.message}). Is uphaul desk still running? Load the page anew.` : error.message;
}

const told = async (path) => (await ask(path)).json();

function header(drive) {
  at("title").textContent = drive.label[0].toUpperCase() + drive.label.slice(1);
  document.title = `${drive.label} – Uphaul`;
  const facts = [lasted(drive.duration_s), `${number(drive.distance_km, 1)} km`];
  if (drive.begun) facts.unshift(`begun ${drive.begun.slice(0, 16).replace("T", " ")} UTC`);
  if (drive.against) facts.push(`beside it, dashed green: ${drive.against.log === drive.log ? `drive ${drive.against.number}` : drive.against.label}, ${lasted(drive.against.duration_s)}, ${number(drive.against.distance_km, 1)} km`);
  at("facts").textContent = facts.join(" · ");
  at("notes").textContent = drive.notes.join(" · ");
  at("notes").hidden = !drive.notes.length;
}

function tools(drive, timeline) {
  if (drive.against?.has_place) at("axis").append(make("label", {}, make("input", { type: "radio", name: "axis", value: "place" }), "place on the road"));
  at("axis").addEventListener("change", (e) => { timeline.along(e.target.value); });
  at("back").addEventListener("click", () => timeline.pan(-0.4));
  at("on").addEventListener("click", () => timeline.pan(0.4));
  at("in").addEventListener("click", () => timeline.zoom(0.5));
  at("out").addEventListener("click", () => timeline.zoom(2));
  at("all").addEventListener("click", () => timeline.go(0, timeline.most));
  at("fit").addEventListener("change", (e) => { timeline.fit = e.target.checked; timeline.ask(); });
  document.addEventListener("keydown", (e) => { if (e.key === "Escape") at("pick").open = false; });
  document.addEventListener("pointerdown", (e) => { if (!at("pick").contains(e.target)) at("pick").open = false; });
}

// What else there is of the drive, once all of it was read.
async function rest(drive) {
  const { signals, maps, keys, against } = await told("/rest.json");
  Object.assign(drive, { signals, maps });
  for (const rule of drive.rules) rule.keys = keys[rule.name];
  if (drive.against) drive.against.signals = against;
}

function choices(drive, timeline) {
  at("signals").replaceChildren();
  for (const s of drive.signals) {
    const box = make("input", { type: "checkbox", value: s.name, checked: drive.shown.includes(s.name), disabled: s.low === null });
    box.addEventListener("change", () => {
      const chosen = [...at("signals").querySelectorAll("input:checked")].map((n) => n.value);
      timeline.show([...timeline.shown.filter((n) => chosen.includes(n)), ...chosen.filter((n) => !timeline.shown.includes(n))]);
    });
    at("signals").append(make("label", { title: s.meaning }, box, s.low === null ? `${s.words} (never known)` : s.words));
  }
}

function reading(timeline, drive, x) {
  if (x === null) {
    at("reading").textContent = "Point at the drive to read it. Pull across it to look closer; with shift to move along; a double click shows all of it.";
    return;
  }
  const where = timeline.axis === "time" ? `at ${clock(x)}` : `at ${number(x, 2)} km`;
  const doing = drive.segments.find((s) => s.from[timeline.axis] <= x && x <= s.to[timeline.axis]);
  const true_ = new Set(timeline.episodes.filter((e) => e.from[timeline.axis] <= x && x <= e.to[timeline.axis]).map((e) => e.rule.replaceAll("-", " ")));
  const parts = [where];
  if (doing) parts.push(`${doing.kind} for ${lasted(doing.duration_s)}${doing.km !== null && doing.km > 0.05 ? `, ${number(doing.km, 1)} km` : ""}${doing.grade !== null && Math.abs(doing.grade) >= 0.005 ? `, ${number(doing.grade * 100, 1)} %` : ""}`);
  if (true_.size) parts.push(`true: ${[...true_].join(", ")}`);
  at("reading").textContent = parts.join(" · ");
}

// The drive is asked for while the plotting library is still being read; deferred scripts are done before this event.
const library = new Promise((done) => {
  if (globalThis.Bokeh?.Plotting) done();
  else document.addEventListener("DOMContentLoaded", done);
});

try {
  let around = null;
  const timeline = new Timeline(library, {
    failed,
    moved: ([a, b]) => {
      at("span").textContent = timeline.axis === "time" ? `${clock(a)} to ${clock(b)}` : `${number(a, 2)} to ${number(b, 2)} km`;
      around?.moved(timeline.axis, [a, b]);
    },
    pointed: (x) => { reading(timeline, timeline.drive, x); around?.pointed(x); },
  });
  const drive = await told("/drive.json");
  header(drive);
  tools(drive, timeline);
  around = new Around(drive, timeline, failed);
  await timeline.begin(drive);
  reading(timeline, drive, null);
  await new Rules(drive, timeline).begin(rest(drive).then(() => choices(drive, timeline)));
  around.begin();
  document.body.dataset.ready = "yes";
  await new Fits(drive, timeline).begin();
} catch (error) {
  document.body.dataset.broken = "yes";
  failed(error);
  throw error;
}
