// The road of the drive, and a signal over two others as a table of cells.

import { amount, ask, at, clock, make, number, plain, unit } from "/words.js";

export class Around {
  constructor(drive, timeline, failed) {
    this.drive = drive; this.timeline = timeline; this.failed = failed;
    this.axis = null; this.view = null; this.x = null; this.road = null;
  }

  begin() {
    const chosen = { value: ["egt", "boost", "charge"], x: ["rpm", "speed"], y: ["boost", "pedal", "crank_power"] };
    const { values, axes } = this.drive.maps;
    for (const [part, names] of Object.entries({ value: values, x: axes, y: axes })) {
      const select = at(`map-${part}`), first = chosen[part].find((n) => names.includes(n) && !(part === "y" && n === at("map-x").value));
      select.append(...names.map((n) => make("option", { value: n, selected: n === first }, plain(n))));
      select.addEventListener("change", () => this._map());
    }
    at("map-steady").addEventListener("change", () => this._map());
    at("map-form").addEventListener("submit", (e) => e.preventDefault());
    if (values.length && axes.length > 1) this._map(); else at("map-words").textContent = "This drive has no two signals that a map could lie over.";
    const height = at("height");
    height.addEventListener("click", (e) => {
      const box = height.getBoundingClientRect(), x = ((e.clientX - box.left) / box.width) * this.timeline.most, half = (this.view[1] - this.view[0]) / 2;
      this.timeline.go(x - half, x + half);
    });
    new ResizeObserver(() => this._draw()).observe(at("road"));
    if (this.view) this.moved(this.timeline.axis, this.view);
  }

  async moved(axis, view) {
    this.view = view;
    if (axis !== this.axis) {
      this.axis = axis;
      try { this.road = await (await ask(`/road.json?axis=${axis}`)).json(); } catch (error) { this.failed(error); return; }
      const nowhere = !this.road.course.x.length;
      at("road").classList.toggle("nowhere", nowhere);
      const h = this.road.height.m, ends = h.length ? `Between ${number(h.reduce((a, b) => Math.min(a, b)), 0)} and ${number(h.reduce((a, b) => Math.max(a, b)), 0)} m high.` : "Its height is not known.";
      at("road-words").textContent = `${ends}${nowhere ? " No receiver told where it was." : " North is up."} Choose a place on the profile to go there.`;
    }
    this._draw();
  }

  pointed(x) { this.x = x; this._draw(); }

  _draw() {
    if (!this.road || this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => { this.waiting = false; this._height(); this._course(); });
  }

  _canvas(id) {
    const canvas = at(id), scale = window.devicePixelRatio || 1, w = canvas.clientWidth, h = canvas.clientHeight;
    if (!w) return null;
    canvas.width = w * scale; canvas.height = h * scale;
    const c = canvas.getContext("2d");
    c.scale(scale, scale);
    c.font = "12px system-ui, sans-serif";
    return { c, w, h };
  }

  _height() {
    const on = this._canvas("height");
    if (!on) return;
    const { c, w, h } = on, { x, m } = this.road.height, most = this.timeline.most || 1;
    const across = (v) => (v / most) * w;
    c.fillStyle = "#2f7fb522";
    c.fillRect(across(this.view[0]), 0, Math.max(2, across(this.view[1]) - across(this.view[0])), h);
    if (x.length) {
      let low = Infinity, high = -Infinity;
      for (const v of m) { low = Math.min(low, v); high = Math.max(high, v); }
      const wide = Math.max(high - low, 20), up = (v) => h - 22 - ((v - low) / wide) * (h - 44);
      c.beginPath();
      x.forEach((v, i) => (i ? c.lineTo(across(v), up(m[i])) : c.moveTo(across(v), up(m[i]))));
      c.strokeStyle = "#6b5a3a"; c.lineWidth = 1.5; c.stroke();
      c.lineTo(across(x[x.length - 1]), h); c.lineTo(across(x[0]), h); c.closePath();
      c.fillStyle = "#b89b6433"; c.fill();
      c.fillStyle = "#5d5a54";
      c.fillText(`${number(high, 0)} m`, 6, 15); c.fillText(`${number(low, 0)} m`, 6, h - 6);
    }
    c.textAlign = "right"; c.fillStyle = "#5d5a54";
    c.fillText(this.axis === "time" ? clock(most).replace(/\.\d$/, "") : `${number(most, 1)} km`, w - 6, h - 6);
    if (this.x !== null) { c.fillStyle = "#b3261e"; c.fillRect(across(this.x) - 0.5, 0, 1, h); }
  }

  _course() {
    const { x, lat, lon } = this.road.course;
    if (!x.length) return;
    const on = this._canvas("course");
    if (!on) return;
    const { c, w, h } = on, shrink = Math.cos((lat[0] * Math.PI) / 180);
    const east = lon.map((v) => v * shrink), span = (a) => a.reduce(([l, u], v) => [Math.min(l, v), Math.max(u, v)], [Infinity, -Infinity]);
    const [w0, w1] = span(east), [n0, n1] = span(lat), scale = Math.min((w - 24) / Math.max(w1 - w0, 1e-6), (h - 24) / Math.max(n1 - n0, 1e-6));
    const px = (i) => [w / 2 + (east[i] - (w0 + w1) / 2) * scale, h / 2 - (lat[i] - (n0 + n1) / 2) * scale];
    const line = (take, colour, wide) => {
      c.beginPath();
      let down = false;
      for (let i = 0; i < x.length; i++) { if (!take(x[i])) { down = false; continue; } const p = px(i); if (down) c.lineTo(...p); else c.moveTo(...p); down = true; }
      c.strokeStyle = colour; c.lineWidth = wide; c.stroke();
    };
    line(() => true, "#c9c4b8", 2);
    line((v) => v >= this.view[0] && v <= this.view[1], "#14506b", 2.5);
    if (this.x !== null) {
      let i = x.findIndex((v) => v >= this.x);
      if (i < 0) i = x.length - 1;
      c.beginPath(); c.arc(...px(i), 5, 0, 7); c.fillStyle = "#b3261e"; c.fill();
    }
  }

  async _map() {
    const q = new URLSearchParams({ value: at("map-value").value, x: at("map-x").value, y: at("map-y").value, steady: at("map-steady").value });
    let told;
    try { told = await (await ask(`/map.json?${q}`)).json(); } catch (error) { at("map").replaceChildren(); at("map-words").textContent = error.message; return; }
    const by = new Map(told.cells.map((c) => [`${c.x}/${c.y}`, c]));
    if (!by.size) { at("map").replaceChildren(); at("map-words").textContent = "No tick lies within the edges of this map."; return; }
    const range = (key) => [Math.min(...told.cells.map((c) => c[key])), Math.max(...told.cells.map((c) => c[key]))];
    const [x0, x1] = range("x"), [y0, y1] = range("y"), [low, high] = range("median");
    const edge = (axis, i) => number(axis.edges[i], Math.abs(axis.edges[i]) < 1 ? 2 : 0);
    const figures = (c) => `${plain(told.x.name)} ${edge(told.x, c.x)} to ${edge(told.x, c.x + 1)} ${unit(told.x.unit)}, ${plain(told.y.name)} ${edge(told.y, c.y)} to ${edge(told.y, c.y + 1)} ${unit(told.y.unit)}: median ${amount(c.median, told.unit)}, spread ${number(c.spread)}, ${number(c.low)} to ${number(c.high)}, ${c.count} ticks`;
    const rows = [];
    for (let j = y1; j >= y0; j--) {
      const row = make("tr", {}, make("th", { scope: "row" }, edge(told.y, j)));
      for (let i = x0; i <= x1; i++) {
        const c = by.get(`${i}/${j}`), cell = make("td", { class: c ? "full" : "" }, c ? number(c.median, Math.abs(high) < 10 ? 2 : 0) : "");
        if (c) {
          const share = (c.median - low) / Math.max(high - low, 1e-9);
          cell.style.backgroundColor = `color-mix(in oklab, #e8743b ${Math.round(share * 85)}%, #f1f0e6)`;
          if (c.count < 20) cell.style.color = "#6b675f";
          const say = () => { at("map-words").textContent = figures(c); };
          cell.addEventListener("pointerenter", say);
          cell.title = figures(c);
        }
        row.append(cell);
      }
      rows.push(row);
    }
    const foot = make("tr", {}, make("td"), ...Array.from({ length: x1 - x0 + 1 }, (_, i) => make("th", { scope: "col" }, edge(told.x, x0 + i))));
    at("map").replaceChildren(make("table", { "aria-label": `median of ${plain(told.value)} by ${plain(told.x.name)} and ${plain(told.y.name)}` }, make("tbody", {}, ...rows), make("tfoot", {}, foot)));
    at("map-words").textContent = `Medians of ${plain(told.value)}${told.unit ? ` in ${unit(told.unit)}` : ""}; up: ${plain(told.y.name)}${unit(told.y.unit) ? ` in ${unit(told.y.unit)}` : ""}, across: ${plain(told.x.name)}${unit(told.x.unit) ? ` in ${unit(told.x.unit)}` : ""}, each from the figure at its edge on.${told.outside ? ` ${told.outside} ticks lie outside.` : ""} Point at a cell for its figures.`;
  }
}
