// The live page: brings its parts together.

import { actingIsLive, showActing, startActing } from "./acting.js";
import { isUnseen, showAlerts, showAlertsAgain, startAlerts, unseenAction } from "./alerts.js";
import { applyLook, device, keep, keepScreenOn, keepShell } from "./device.js";
import { follow } from "./live.js";
import { showOwner, showOwnerAgain, startOwner } from "./owner.js";
import { showReadings, showReadingsAgain, startReadings } from "./readings.js";
import { showReplay, startReplay } from "./replay.js";
import { byId, setText } from "./rows.js";
import { hear, hearPrompt, listenForTaps, soundState } from "./sound.js";
import { clockTime, useUnits } from "./words.js";

function showTrip(status) {
  byId("invented").hidden = !status.invented;
  setText(byId("vehicle"), status.vehicle);
  setText(byId("tune"), `tune ${status.tune ?? "unknown"}`);
  setText(byId("drive"), [status.drive === null ? "between drives" : status.drive === 0 ? "not logged" : `drive ${status.drive}`, status.t_ms === null ? "" : clockTime(status.t_ms)].filter(Boolean).join(" · "));
}

function show(status) {
  showTrip(status);
  showReplay(status);
  showAlerts(status);
  showReadings(status);
  showActing(status, status.alerts.filter(isUnseen).length);
  showOwner(status);
  hear(status.sound);
  hearPrompt(status.prompt, ["ease", "stop"].includes(unseenAction()));
}

function showSound() {
  const [words, tap] = soundState();
  const made = byId("sound-off");
  made.hidden = words === "";
  made.disabled = !tap;
  setText(made, words);
  showOwnerAgain();
}

function showAgain() {
  useUnits(null, device.units);
  showAlertsAgain();
  showReadingsAgain();
  showSound();
}

async function loadUnits() {
  try {
    const answer = await fetch("units.json", { cache: "no-store" });
    if (!answer.ok) throw new Error();
    useUnits(await answer.json(), device.units);
    showAgain();
  } catch {
    setTimeout(loadUnits, 3000);
  }
}

function welcome() {
  const dialog = byId("welcome");
  if (device.read) return;
  dialog.addEventListener("cancel", (event) => event.preventDefault());
  byId("welcome-read").addEventListener("click", () => {
    keep("read", true);
    dialog.close();
    keepScreenOn();
  });
  dialog.showModal();
}

applyLook();
useUnits(null, device.units);
startAlerts();
startReadings();
startReplay();
startOwner(showAgain);
startActing(() => {
  showAlertsAgain();
  showOwnerAgain();
});
listenForTaps(unseenAction, () => {
  showSound();
  keepScreenOn();
});
document.addEventListener("visibilitychange", keepScreenOn);
welcome();
showSound();
follow(show, actingIsLive);
loadUnits();
keepShell();
