// How times, numbers and names are written, and how elements are made.

export const clock = (s) => {
  if (s === null || !Number.isFinite(s)) return "–";
  const tenths = Math.round(Math.abs(s) * 10), h = Math.floor(tenths / 36000), m = Math.floor(tenths / 600) % 60;
  const rest = ((tenths % 600) / 10).toFixed(1).padStart(4, "0");
  return `${s < 0 ? "−" : ""}${h ? `${h}:${String(m).padStart(2, "0")}` : m}:${rest}`;
};

export const lasted = (s) => {
  if (s < 59.95) return `${(Math.round(s * 10) / 10).toString()} s`;
  const whole = Math.round(s);
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${String(whole % 60).padStart(2, "0")} s`;
  return `${Math.floor(whole / 3600)} h ${String(Math.floor(whole / 60) % 60).padStart(2, "0")} min`;
};

export const short = (s) => (s < 59.5 ? `${Math.round(s)} s` : s < 3570 ? `${Math.round(s / 60)} min` : `${(s / 3600).toFixed(1)} h`);

export const number = (x, digits = null) => {
  if (x === null || x === undefined || !Number.isFinite(x)) return "–";
  const places = digits ?? (Math.abs(x) < 10 ? 2 : Math.abs(x) < 100 ? 1 : 0);
  const rounded = Number(x.toFixed(Math.min(places, 3))) || 0; // no minus before a nought
  const [whole, rest] = String(rounded).replace("-", "−").split("."); // the browser's own formatting loads its tables first
  const grouped = Math.abs(x) >= 10000 ? whole.replace(/\B(?=(\d{3})+$)/g, ",") : whole;
  return rest ? `${grouped}.${rest}` : grouped;
};

const UNITS = { degC: "°C", degF: "°F", "m/s": "m/s", deg: "°" };
export const unit = (u) => UNITS[u] ?? (u === "1" ? "" : u);
export const amount = (x, u, digits) => {
  const told = number(x, digits);
  return u && unit(u) ? `${told}\u00a0${unit(u)}` : told;
};
export const plain = (name) => name.replaceAll("_", " ").replaceAll("-", " ").replace(":", ": ");

export const make = (tag, fields = {}, ...inside) => {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(fields)) {
    if (key === "class") node.className = value;
    else if (key in node && key !== "list" && !key.startsWith("aria")) node[key] = value;
    else node.setAttribute(key, value);
  }
  node.append(...inside.filter((x) => x !== null && x !== undefined));
  return node;
};

export const at = (id) => document.getElementById(id);

export const ask = async (path, body = undefined, signal = undefined) => {
  const how = body === undefined ? { signal } : { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal };
  const answer = await fetch(path, how);
  if (answer.ok) return answer;
  let words = `${answer.status} ${answer.statusText}`;
  try { words = (await answer.json()).problem ?? words; } catch { /* no words came with it */ }
  throw new Error(words);
};
