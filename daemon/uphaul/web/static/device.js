// What this device is set to: units, look, sound, and whether its user has read the cautions. Kept in the browser.

const KEPT = "uphaul";
const DEFAULTS = { read: false, units: "metric", look: "auto", sound: true };
const CHOICES = { units: ["metric", "us"], look: ["auto", "day", "night"], sound: [true, false], read: [true, false] };

function load() {
  let kept = {};
  try {
    kept = JSON.parse(localStorage.getItem(KEPT)) ?? {};
  } catch {
    // nothing kept, or not to be had here
  }
  return Object.fromEntries(Object.entries(DEFAULTS).map(([key, value]) => [key, CHOICES[key].includes(kept[key]) ? kept[key] : value]));
}

export const device = load();

export function keep(key, value) {
  device[key] = value;
  try {
    localStorage.setItem(KEPT, JSON.stringify(device));
  } catch {
    // then it lasts as long as the page
  }
}

export function applyLook() {
  document.documentElement.dataset.look = device.look;
}

// ---- the screen: browsers keep it on only for pages over HTTPS or from this machine ---------------------------------

let lock = null;

export const staysOn = () => lock !== null && !lock.released;

export async function keepScreenOn() {
  if (!("wakeLock" in navigator) || document.visibilityState !== "visible" || staysOn()) return;
  try {
    lock = await navigator.wakeLock.request("screen");
  } catch {
    lock = null; // refused: the page says that the screen may go dark
  }
}

// ---- the home screen: a worker that keeps the page's files, never a reading ------------------------------------------

export function keepShell() {
  if (!("serviceWorker" in navigator)) return; // plain HTTP from another machine: the page works without
  const own = globalThis.trustedTypes?.createPolicy("own", { createScriptURL: (path) => path });
  navigator.serviceWorker.register(own ? own.createScriptURL("worker.js") : "worker.js").catch(() => {});
}
