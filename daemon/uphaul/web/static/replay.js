// The band of a replay: what is played, pause, seek, speed. It says that nothing here is now.

import { control } from "./acting.js";
import { byId, make, setText } from "./rows.js";
import { capital, clockTime } from "./words.js";

const SPEEDS = [0.5, 1, 2, 5, 10, 20, 50, 100];

let played = null;
let dragged = false;

async function ask(body) {
  const told = await control(body);
  setText(byId("play-problem"), told.problem ? `✕ ${capital(told.problem)}` : "");
}

function showSpeeds(speed) {
  const list = byId("play-speed");
  const values = SPEEDS.includes(speed) ? SPEEDS : [...SPEEDS, speed].sort((a, b) => a - b);
  if (list.options.length !== values.length || ![...list.options].some((o) => Number(o.value) === speed)) {
    list.replaceChildren(...values.map((value) => Object.assign(make("option", "", `${value}×`), { value: String(value) })));
  }
  if (document.activeElement !== list) list.value = String(speed);
}

export function showReplay(status) {
  played = status.played;
  byId("replay").hidden = played === null;
  byId("replayed").hidden = !status.replayed || played !== null;
  document.body.classList.toggle("replaying", played !== null);
  if (played === null) return;
  setText(byId("replay-what"), `of drive ${status.drive ?? "?"}`);
  setText(byId("play-go"), played.paused ? "▶ Go" : "❚❚ Pause");
  const at = byId("play-at");
  at.min = String(played.first_ms);
  at.max = String(played.last_ms);
  if (!dragged) at.value = String(played.t_ms);
  at.setAttribute("aria-valuetext", clockTime(Number(at.value)));
  setText(byId("play-time"), `${clockTime(Number(at.value))} of ${clockTime(played.last_ms)}${played.seeking ? " · seeking" : ""}`);
  showSpeeds(played.speed);
}

export function startReplay() {
  const at = byId("play-at");
  byId("play-go").addEventListener("click", () => ask({ do: played?.paused ? "go" : "pause" }));
  at.addEventListener("input", () => {
    dragged = true;
    setText(byId("play-time"), clockTime(Number(at.value)));
  });
  at.addEventListener("change", async () => {
    await ask({ do: "seek", t_ms: Number(at.value) });
    dragged = false;
  });
  byId("play-speed").addEventListener("change", (event) => ask({ do: "speed", speed: Number(event.target.value) }));
}
