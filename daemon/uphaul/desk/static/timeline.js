// The drive along its axis: one canvas with a lane for segments, marks and every rule that was raised, and a panel a signal.
//
// Every panel and lane lies in one plot; values are brought to the height of their panel here. The view moves at once with
// what is there already, and what belongs to the new view is asked for meanwhile; a question that is overtaken is dropped.

import { amount, ask, at, clock, make, number, plain, unit } from "/words.js";

const LANE = 17, PANEL_MOST = 132, PANEL_LEAST = 84, TOP = 6, BOTTOM = 30, RIGHT = 12;
const MARGIN = 0.25; // how much more than the view is asked for at either side
const INK = "#24405c", OTHER = "#0b7a5b";
export const ACTIONS = { stop: "#a3161a", ease: "#8f4d00", note: "#46617a" };
const DASH = { stop: [], ease: [7, 3], note: [2, 3] };
const KINDS = {
  other: "#e6e3dc", cruise: "#cfe0d4", "warm-up": "#f3ddc4", descent: "#cbdcec", climb: "#e3c9a8", idle: "#efece4",
  "cool-down": "#d9d0e6", pull: "#e7b3a4", start: "#f2e6a6", "key-on": "#f5f3ee", soak: "#dcdad6",
};

export class Timeline {
  // The plot is made as soon as its library is there, whether the drive is or not.
  constructor(library, told) {
    this.told = told;
    this.stage = at("stage");
    this.axis = "time";
    this.rules = null; this.token = ""; this.fit = false;
    this.view = [0, 1]; this.cursor = null; this.traces = []; this.sources = new Map();
    this.gutter = 176; this.answered = 0;
    this.made = library.then(() => this._make());
  }

  // What the rules said: on the way, until they are judged here.
  get episodes() { return this.rules?.episodes ?? this.drive.live; }

  get most() { return this.axis === "time" ? this.drive.duration_s : this.drive.distance_km; }

  // Until the drive is seen.
  async begin(drive) {
    this.drive = drive; this.shown = [...drive.shown];
    await this._sized();
    this._wire();
    new ResizeObserver(() => this._sized()).observe(this.stage);
  }

  async _make() {
    const M = (n) => Bokeh.Models.get(n);
    this.M = M;
    this.xr = new (M("Range1d"))({ start: 0, end: 1 });
    this.yr = new (M("Range1d"))({ start: 0, end: 1 });
    this.plot = new (M("Plot"))({
      x_range: this.xr, y_range: this.yr, height: 400, sizing_mode: "stretch_width", toolbar_location: null,
      min_border_top: TOP, min_border_bottom: BOTTOM, min_border_left: this.gutter, min_border_right: RIGHT,
      outline_line_color: null, lod_threshold: null, background_fill_color: "#ffffff", border_fill_color: "#ffffff",
    });
    this.xaxis = new (M("LinearAxis"))({
      ticker: new (M("FixedTicker"))({ ticks: [] }), axis_line_color: "#8d897f", major_tick_line_color: "#8d897f",
      minor_tick_line_color: null, major_label_text_color: "#5d5a54", major_label_text_font_size: "12px",
    });
    this.yaxis = new (M("LinearAxis"))({
      ticker: new (M("FixedTicker"))({ ticks: [] }), axis_line_color: null, major_tick_line_color: "#b5b1a7",
      minor_tick_line_color: null, major_label_text_color: "#5d5a54", major_label_text_font_size: "11px",
    });
    this.plot.add_layout(this.xaxis, "below");
    this.plot.add_layout(this.yaxis, "left");
    const source = (name, data) => { const s = new (M("ColumnDataSource"))({ data }); this.sources.set(name, s); return s; };
    const quad = (name, alpha) => this.plot.add_glyph(
      new (M("Quad"))({ left: { field: "l" }, right: { field: "r" }, bottom: { field: "b" }, top: { field: "t" },
        fill_color: { field: "c" }, line_color: null, fill_alpha: alpha }), source(name, { l: [], r: [], b: [], t: [], c: [] }));
    const segment = (name, color, dash, width) => this.plot.add_glyph(
      new (M("Segment"))({ x0: { field: "x0" }, y0: { field: "y0" }, x1: { field: "x1" }, y1: { field: "y1" },
        line_color: color, line_dash: dash, line_width: width }), source(name, { x0: [], y0: [], x1: [], y1: [] }));
    quad("shade", 0.13);
    segment("rows", "#e4e0d7", [], 1);
    segment("marks", "#7a3e9d", [4, 3], 1);
    quad("bands", 1);
    this.plot.add_glyph(new (M("Text"))({ x: { field: "x" }, y: { field: "y" }, text: { field: "w" }, text_font_size: "11px",
      text_baseline: "middle", text_color: "#33312d", x_offset: 4 }), source("names", { x: [], y: [], w: [] }));
    for (const action of Object.keys(ACTIONS)) {
      this.plot.add_glyph(new (M("Line"))({ x: { field: "x" }, y: { field: "y" }, line_color: ACTIONS[action], line_width: 1.4,
        line_dash: DASH[action] }), source(`limit-${action}`, { x: [], y: [] }));
    }
    this.plot.add_glyph(new (M("Line"))({ x: { field: "x" }, y: { field: "y" }, line_color: OTHER, line_width: 1, line_dash: [5, 2] }),
      source("line-1", { x: [], y: [] }));
    this.plot.add_glyph(new (M("Line"))({ x: { field: "x" }, y: { field: "y" }, line_color: INK, line_width: 1.1 }), source("line-0", { x: [], y: [] }));
    await Bokeh.Plotting.show(this.plot, at("plot"));
  }

  // ------------------------------------------------------------------------------------------------ what is shown

  show(shown) { this.shown = shown; this.traces = []; return this.ask(); }

  along(axis) {
    this.axis = axis; this.cursor = null; this.traces = [];
    this.stage.setAttribute("aria-label", this.stage.getAttribute("aria-label").replace(/along \w+/, `along ${axis}`));
    return this.go(0, this.most);
  }

  said(answer) { this.rules = answer; this.token = answer.token; return this.ask(); }

  async go(from, to) {
    const least = this.axis === "time" ? 1 : 0.01, all = Math.max(this.most, least);
    let width = Math.min(Math.max(to - from, least), all), start = Math.min(Math.max(from, 0), all - width);
    this.view = [start, start + width];
    if (this.answered) this._draw();
    this.told.moved(this.view);
    if (this.cursor !== null) this.point(this.cursor >= start && this.cursor <= start + width ? this.cursor : null);
    return this.ask();
  }

  zoom(by, around = null) {
    const [a, b] = this.view, mid = around ?? this.cursor ?? (a + b) / 2;
    return this.go(mid - (mid - a) * by, mid + (b - mid) * by);
  }

  pan(by) { const [a, b] = this.view, d = (b - a) * by; return this.go(a + d, b + d); }

  async ask() {
    this.asking?.abort();
    const mine = (this.asking = new AbortController());
    const [a, b] = this.view, more = (b - a) * MARGIN;
    const q = new URLSearchParams({ axis: this.axis, from: a - more, to: b + more, buckets: Math.max(200, Math.round(this.frame * (1 + 2 * MARGIN))),
      signals: this.shown.join(",") });
    if (this.rules) q.set("rules", this.token);
    try {
      const answer = await ask(`/view?${q}`, undefined, mine.signal);
      const traces = unpacked(await answer.arrayBuffer());
      await this.made;
      this.traces = traces;
      this._draw();
      this.answered += 1;
      this.stage.dataset.answered = this.answered;
    } catch (error) {
      if (error.name !== "AbortError") this.told.failed(error);
    }
  }

  // ----------------------------------------------------------------------------------------------------- drawing

  _sized() {
    this.gutter = parseFloat(getComputedStyle(document.documentElement).getPropertyValue("--gutter"));
    const frame = this.stage.clientWidth - this.gutter - RIGHT;
    if (frame === this.frame) return null;
    this.frame = frame;
    return this.answered ? this.ask() : this.go(0, this.most);
  }

  _other() {
    const { against, number: own, log } = this.drive;
    return against.log === log && against.number !== own ? `drive ${against.number}` : `other ${against.number}`;
  }

  _layout() {
    const raised = new Map();
    for (const e of this.episodes) raised.set(e.rule, (raised.get(e.rule) ?? 0) + 1);
    const order = { stop: 0, ease: 1, note: 2 };
    const rules = this.drive.rules.filter((r) => raised.has(r.name)).sort((a, b) => order[a.action] - order[b.action]);
    const lanes = [{ kind: "segments", words: this.drive.against ? `drive ${this.drive.number}` : "segments" }];
    if (this.drive.against) lanes.push({ kind: "other", words: this._other() });
    if (this.drive.marks.length) lanes.push({ kind: "marks", words: "marks" });
    for (const r of rules) lanes.push({ kind: "rule", rule: r.name, action: r.action, words: plain(r.name) });
    // The other drive's alerts as they were given on the way, by its own rules.
    const there = new Set((this.drive.against?.live ?? []).map((e) => e.rule));
    for (const r of (this.drive.against?.rules ?? []).filter((o) => there.has(o.name)).sort((a, b) => order[a.action] - order[b.action])) {
      lanes.push({ kind: "rule-other", rule: r.name, action: r.action, words: `${this._other()}: ${plain(r.name)}` });
    }
    const room = Math.max(window.innerHeight - 250, 360) - lanes.length * LANE;
    const panel = Math.min(PANEL_MOST, Math.max(PANEL_LEAST, Math.floor(room / Math.max(this.shown.length, 1))));
    const inner = lanes.length * LANE + 6 + this.shown.length * panel;
    let y = inner;
    for (const lane of lanes) { lane.top = y - 1; lane.bottom = y - LANE + 1; y -= LANE; }
    y -= 6;
    const panels = this.shown.map((name) => {
      const p = { name, signal: this.drive.signals.find((s) => s.name === name), top: y - 5, bottom: y - panel + 5 };
      y -= panel;
      return p;
    });
    this.lanes = lanes; this.panels = panels; this.inner = inner;
    const height = inner + TOP + BOTTOM;
    if (this.plot.height !== height || this.plot.min_border_left !== this.gutter) {
      this.plot.setv({ height, min_border_left: this.gutter });
      this.yr.setv({ start: 0, end: inner });
    }
  }

  _x() {
    const [a, b] = this.view, ticks = nice(a, b, Math.max(3, Math.floor(this.frame / 90)), this.axis === "time");
    const step = ticks[1] - ticks[0], labels = new Map();
    for (const t of ticks) labels.set(t, this.axis === "time" ? stamp(t, step) : `${number(t, step < 0.1 ? 2 : step < 1 ? 1 : 0)} km`);
    this.xaxis.setv({ ticker: new (this.M("FixedTicker"))({ ticks }), major_label_overrides: labels });
    this.xr.setv({ start: a, end: b });
  }

  _heights() {
    const [a, b] = this.view;
    for (const p of this.panels) {
      let low = p.signal.low ?? 0, high = p.signal.high ?? 1;
      const own = this.traces.filter((t) => t.signal === p.name && !t.rule);
      if (this.fit) { [low, high] = extremes(own, a, b) ?? [low, high]; }
      else for (const t of own) if (t.drive) { const o = this.drive.against.signals.find((s) => s.name === p.name); low = Math.min(low, o.low ?? low); high = Math.max(high, o.high ?? high); }
      const least = Math.max(Math.abs(high) * 0.02, 4 * 10 ** -p.signal.digits); // else its steps fill the panel
      if (high - low < least) { const mid = (low + high) / 2; low = mid - least / 2; high = mid + least / 2; }
      const wide = high - low;
      for (const t of this.traces) {
        if (t.signal !== p.name || !t.rule) continue;
        const found = extremes([t], a, b);
        if (found && found[1] <= high + 0.6 * wide && found[0] >= low - 0.6 * wide) { low = Math.min(low, found[0]); high = Math.max(high, found[1]); }
      }
      const pad = Math.max((high - low) * 0.05, 1e-6);
      p.low = low - pad; p.high = high + pad;
      p.y = (v) => p.bottom + ((v - p.low) / (p.high - p.low)) * (p.top - p.bottom);
    }
  }

  _draw() {
    this._layout();
    this._x();
    this._heights();
    const lines = {};
    for (const name of this.sources.keys()) if (/^(line|limit)-/.test(name)) lines[name] = { n: 0, traces: [] };
    const actions = new Map(this.drive.rules.map((r) => [r.name, r.action]));
    for (const t of this.traces) {
      const panel = this.panels.find((p) => p.name === t.signal), line = lines[t.rule ? `limit-${actions.get(t.rule)}` : `line-${t.drive}`];
      if (!panel || !line) continue;
      line.traces.push([t, panel]); line.n += t.n + 1;
    }
    for (const [name, { n, traces }] of Object.entries(lines)) {
      const x = new Float64Array(n), y = new Float64Array(n);
      let k = 0;
      for (const [t, p] of traces) {
        const scale = (p.top - p.bottom) / (p.high - p.low);
        for (let i = 0; i < t.n; i++, k++) {
          const v = t.y[i];
          x[k] = t.x[i];
          // a limit beyond the panel is not drawn; a value beyond it is cut at its edge
          y[k] = v !== v || (t.rule && (v > p.high || v < p.low)) ? NaN : p.bottom + (Math.min(Math.max(v, p.low), p.high) - p.low) * scale;
        }
        x[k] = NaN; y[k++] = NaN;
      }
      this.sources.get(name).data = { x, y };
    }
    this._bands();
    this._ticks();
    this._gutter();
  }

  _bands() {
    const q = { l: [], r: [], b: [], t: [], c: [] }, s = { l: [], r: [], b: [], t: [], c: [] }, names = { x: [], y: [], w: [] };
    const [a, b] = this.view, px = (b - a) / this.frame, axis = this.axis;
    const put = (into, from, to, bottom, top, color, least = 2) => {
      if (from === null || to === null || to < a || from > b) return;
      into.l.push(from); into.r.push(Math.max(to, from + least * px)); into.b.push(bottom); into.t.push(top); into.c.push(color);
    };
    const segments = (lane, list) => {
      for (const e of list) {
        const from = e.from[axis], to = e.to[axis];
        put(q, from, to, lane.bottom, lane.top, KINDS[e.kind], 0);
        const start = Math.max(from, a), room = (Math.min(to, b) - start) / px;
        if (from !== null && room > 9 + 6.5 * e.kind.length) { names.x.push(start); names.y.push((lane.top + lane.bottom) / 2); names.w.push(e.kind); }
      }
    };
    const marks = { x0: [], y0: [], x1: [], y1: [] };
    let free = -Infinity;
    for (const lane of this.lanes) {
      if (lane.kind === "segments") segments(lane, this.drive.segments);
      else if (lane.kind === "other") segments(lane, this.drive.against.segments);
      else if (lane.kind === "marks") for (const m of this.drive.marks) {
        const x = m.at[axis];
        if (x < a || x > b) continue;
        marks.x0.push(x); marks.x1.push(x); marks.y0.push(0); marks.y1.push(lane.top);
        if (x < free) continue; // the words of the one before stand here
        const word = m.text.length > 28 ? `${m.text.slice(0, 27)}…` : m.text || "mark";
        free = x + (12 + 6.5 * word.length) * px;
        names.x.push(x); names.y.push((lane.top + lane.bottom) / 2); names.w.push(word);
      }
    }
    for (const e of this.episodes) {
      const lane = this.lanes.find((l) => l.kind === "rule" && l.rule === e.rule), rule = this.drive.rules.find((r) => r.name === e.rule);
      if (!lane) continue;
      put(q, e.from[axis], e.to[axis], lane.bottom + 2, lane.top - 2, e.quiet ? "#b9b5ab" : ACTIONS[lane.action], 3);
      const p = this.panels.find((r) => r.name === rule.signal);
      if (p) put(s, e.from[axis], e.to[axis], p.bottom, p.top, ACTIONS[lane.action], 1);
    }
    for (const e of this.drive.against?.live ?? []) {
      const lane = this.lanes.find((l) => l.kind === "rule-other" && l.rule === e.rule);
      if (lane) put(q, e.from[axis], e.to[axis], lane.bottom + 5, lane.top - 5, ACTIONS[lane.action], 3);
    }
    this.sources.get("bands").data = q; this.sources.get("shade").data = s; this.sources.get("names").data = names;
    this.sources.get("marks").data = marks;
    const rows = { x0: [], y0: [], x1: [], y1: [] };
    for (const p of this.panels) { rows.x0.push(a); rows.x1.push(b); rows.y0.push(p.bottom - 5); rows.y1.push(p.bottom - 5); }
    this.sources.get("rows").data = rows;
  }

  _ticks() {
    const ticks = [], labels = new Map();
    for (const p of this.panels) for (const v of nice(p.low, p.high, 3)) { const y = p.y(v); ticks.push(y); labels.set(y, number(v)); }
    this.yaxis.setv({ ticker: new (this.M("FixedTicker"))({ ticks }), major_label_overrides: labels });
  }

  _gutter() {
    const box = at("gutter");
    box.replaceChildren();
    const put = (top, node) => { node.style.top = `${TOP + this.inner - top}px`; box.append(node); };
    for (const lane of this.lanes) put(lane.top, make("div", { class: `lane ${lane.action ? `action ${lane.action}` : ""}` }, lane.words));
    for (const p of this.panels) {
      const at_ = this.reading(p), node = make("div", { title: p.signal.meaning || p.signal.words }, make("b", {}, p.signal.words));
      node.style.maxHeight = `${p.top - p.bottom + 8}px`;
      node.append(make("span", { class: "now" }, at_.own === null ? unit(p.signal.unit) || "\u00a0" : amount(at_.own, p.signal.unit, p.signal.digits)));
      if (this.drive.against && this.cursor !== null) node.append(make("span", { class: "other" }, at_.other === null ? "–" : amount(at_.other, p.signal.unit, p.signal.digits)));
      if (at_.limit !== null) node.append(make("span", { class: `limit action ${at_.action}` }, `${at_.action} ${at_.side} ${number(at_.limit)}`));
      put(p.top, node);
    }
  }

  // ------------------------------------------------------------------------------------------------------ cursor

  reading(p) {
    const x = this.cursor, out = { own: null, other: null, limit: null, action: "", side: "" };
    if (x === null) return out;
    let nearest = Infinity;
    for (const t of this.traces) {
      if (t.signal !== p.name) continue;
      const v = read(t, x);
      if (v === null) continue;
      if (!t.rule) out[t.drive ? "other" : "own"] = v;
      else if (out.own !== null && Math.abs(v - out.own) < nearest) {
        const rule = this.drive.rules.find((r) => r.name === t.rule);
        nearest = Math.abs(v - out.own); out.limit = v; out.action = rule.action; out.side = rule.side;
      }
    }
    return out;
  }

  point(x) {
    this.cursor = x === null ? null : Math.min(Math.max(x, this.view[0]), this.view[1]);
    const line = at("cursor");
    line.hidden = this.cursor === null;
    if (this.cursor !== null) line.style.left = `${this.gutter + ((this.cursor - this.view[0]) / (this.view[1] - this.view[0])) * this.frame}px`;
    this._gutter();
    this.told.pointed(this.cursor);
  }

  place(event) {
    const box = this.stage.getBoundingClientRect();
    return this.view[0] + ((event.clientX - box.left - this.gutter) / this.frame) * (this.view[1] - this.view[0]);
  }

  _wire() {
    const stage = this.stage;
    let from = null, box = null;
    stage.addEventListener("wheel", (e) => {
      if (e.ctrlKey || Math.abs(e.deltaX) > Math.abs(e.deltaY)) { e.preventDefault(); this.pan(Math.sign(e.deltaX) * 0.1); return; }
      if (!e.shiftKey && !stage.matches(":focus")) return; // the page scrolls until the drive has been chosen
      e.preventDefault();
      this.zoom(e.deltaY > 0 ? 1.25 : 0.8, this.place(e));
    }, { passive: false });
    stage.addEventListener("pointerdown", (e) => {
      if (e.button) return;
      stage.focus({ preventScroll: true });
      from = { x: e.clientX, view: [...this.view], at: this.place(e), box: !e.shiftKey, moved: false };
      stage.setPointerCapture(e.pointerId);
    });
    stage.addEventListener("pointermove", (e) => {
      if (!from) { this.point(this.place(e)); return; }
      if (Math.abs(e.clientX - from.x) > 4) from.moved = true;
      if (!from.moved) return;
      if (!from.box) {
        const d = ((from.x - e.clientX) / this.frame) * (from.view[1] - from.view[0]);
        this.go(from.view[0] + d, from.view[1] + d);
        return;
      }
      const left = stage.getBoundingClientRect().left, a = Math.min(from.x, e.clientX) - left, b = Math.max(from.x, e.clientX) - left;
      box = at("box"); box.hidden = false; box.style.left = `${a}px`; box.style.width = `${b - a}px`;
    });
    const up = (e) => {
      if (!from) return;
      const was = from; from = null; at("box").hidden = true;
      if (was.box && was.moved) { const to = this.place(e); this.go(Math.min(was.at, to), Math.max(was.at, to)); }
      else if (!was.moved) this.point(this.place(e));
    };
    stage.addEventListener("pointerup", up);
    stage.addEventListener("pointercancel", () => { from = null; at("box").hidden = true; });
    stage.addEventListener("dblclick", () => this.go(0, this.most));
    stage.addEventListener("keydown", (e) => {
      const width = this.view[1] - this.view[0], side = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
      if (side && e.shiftKey) this.point((this.cursor ?? (this.view[0] + this.view[1]) / 2) + (side * width) / 100);
      else if (side) this.pan(side * 0.2);
      else if (e.key === "+" || e.key === "=") this.zoom(0.6);
      else if (e.key === "-") this.zoom(1 / 0.6);
      else if (e.key === "Home") this.go(0, this.most);
      else if (e.key === "Escape") this.point(null);
      else return;
      e.preventDefault();
    });
  }
}

// ---------------------------------------------------------------------------------------------------------- helpers

export function unpacked(buffer) {
  const long = new DataView(buffer).getUint32(0, true), head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, long)));
  let from = 4 + long;
  return head.map((t) => {
    const x = new Float64Array(buffer, from, t.n), y = new Float64Array(buffer, from + 8 * t.n, t.n);
    from += 16 * t.n;
    return { ...t, x, y };
  });
}

function extremes(traces, a, b) {
  let low = Infinity, high = -Infinity;
  for (const t of traces) for (let i = 0; i < t.x.length; i++) {
    const v = t.y[i];
    if (t.x[i] >= a && t.x[i] <= b && v === v) { if (v < low) low = v; if (v > high) high = v; }
  }
  return low <= high ? [low, high] : null;
}

function read(t, x) {
  let low = 0, high = t.x.length;
  while (low < high) { const mid = (low + high) >> 1; if (t.x[mid] <= x) low = mid + 1; else high = mid; }
  if (!low) return null;
  const v = t.y[low - 1];
  return v === v ? v : null;
}

const STEPS_S = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200];

function nice(a, b, most, time = false) {
  const rough = (b - a) / most, power = 10 ** Math.floor(Math.log10(rough));
  let step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough * 0.999);
  if (time) step = STEPS_S.find((s) => s >= rough * 0.999) ?? step;
  const out = [];
  for (let k = Math.ceil(a / step - 1e-9); k * step <= b + step * 1e-9; k++) out.push(k * step);
  return out;
}

function stamp(s, step) {
  const full = clock(Math.round(s * 10) / 10);
  return step < 1 ? full : full.replace(/\.\d$/, "");
}
