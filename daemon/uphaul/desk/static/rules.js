// What the rules said, and what they would say with a limit, deadband or delay moved.

import { amount, ask, at, clock, lasted, make, number, plain, short, unit } from "/words.js";

const KEY = { above: "limit, above", below: "limit, below", deadband: "deadband", on_delay_s: "true after", off_delay_s: "false after", allowed_s: "allowed", within_s: "within" };
const AROUND = { rpm: "rpm", boost: "boost", pedal: "pedal", speed: "speed" };

export class Rules {
  constructor(drive, timeline) {
    this.drive = drive; this.timeline = timeline;
    this.edits = new Map(); this.chosen = null; this.answer = null; this.asked = 0; this.busy = false; this.again = false;
  }

  // `movable` is kept once it is known what can be moved.
  async begin(movable) {
    at("undo").addEventListener("click", () => { this.edits.clear(); this._judge().then(() => this._form()); });
    this.movable = movable;
    await Promise.all([this._judge(), movable]);
    const first = this._sorted().find((r) => r.raises && this._rule(r.name).keys.length);
    if (first) this._choose(first.name);
  }

  _rule(name) { return this.drive.rules.find((r) => r.name === name); }

  _edits() { return [...this.edits.values()].map(({ rule, tune, key, value }) => ({ rule, tune, key, value })); }

  // One question at a time; what changes meanwhile is asked next, so a dragged limit never piles questions up.
  async _judge() {
    if (this.busy) { this.again = true; return; }
    this.busy = true;
    const began = performance.now();
    try {
      this.answer = await (await ask("/judge", { edits: this._edits() })).json();
      at("if-problem").hidden = true;
      this._list(); this._changes(); this._near();
      await this.timeline.said(this.answer);
      document.body.dataset.judged = ++this.asked;
      document.body.dataset.took = Math.round(performance.now() - began);
    } catch (error) {
      at("if-problem").hidden = false;
      at("if-problem").textContent = error.message;
    } finally {
      this.busy = false;
      if (this.again) { this.again = false; await this._judge(); }
    }
  }

  // -------------------------------------------------------------------------------------------- what they said

  _sorted() {
    const order = { stop: 0, ease: 1, note: 2 };
    return [...this.answer.rules].sort((a, b) => !!b.raises - !!a.raises || order[this._rule(a.name).action] - order[this._rule(b.name).action]);
  }

  _list() {
    const rows = this._sorted();
    const raised = rows.filter((r) => r.raises).length;
    at("said-words").textContent = `${raised} of ${rows.length} rules were raised. Choose one to look closer.`;
    const list = at("said"), focused = list.contains(document.activeElement) ? document.activeElement.dataset.rule : null;
    const top = list.scrollTop;
    list.replaceChildren(...rows.map((r) => {
      const rule = this._rule(r.name), told = r.raises ? `${r.raises}×, ${short(r.active_s)}` : r.measured ? "not raised" : rule.fitted ? "not judged" : "not fitted";
      const more = [];
      if (r.chattering) more.push("chattering");
      if (r.too_short) more.push("past its limit, never for long enough");
      const quiet = this.answer.episodes.filter((e) => e.rule === r.name && e.quiet);
      if (quiet.length) more.push(`${quiet.length === r.raises ? "all" : quiet.length} quiet: ${quiet[0].quiet.replaceAll("-", " ")}`);
      const was = [...this.edits.values()].some((e) => e.rule === r.name);
      if (was) more.push("changed here");
      const button = make("button", { type: "button", "aria-pressed": String(this.chosen === r.name), class: r.raises ? "" : "never" },
        make("span", { class: `action ${rule.action}` }, rule.action), make("span", { class: "rule", title: rule.say }, plain(r.name)),
        make("span", { class: "count" }, told), more.length ? make("span", { class: "more" }, more.join(" · ")) : null);
      button.dataset.rule = r.name;
      button.addEventListener("click", () => this.movable.then(() => { this._choose(r.name); this._show(r.name); }));
      return make("li", {}, button);
    }));
    list.scrollTop = top;
    if (focused) list.querySelector(`[data-rule="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  }

  // The signal of the chosen rule is brought into the drive.
  _show(name) {
    const rule = this._rule(name);
    if (rule.fitted && !this.timeline.shown.includes(rule.signal)) {
      const box = at("signals").querySelector(`input[value="${CSS.escape(rule.signal)}"]`);
      if (box && !box.disabled) box.click();
    }
  }

  // ---------------------------------------------------------------------------------------------------- what if

  _choose(name) {
    this.chosen = name;
    for (const b of at("said").querySelectorAll("button")) b.setAttribute("aria-pressed", String(b.dataset.rule === name));
    this._form();
  }

  _form() {
    if (!this.chosen) return;
    const rule = this._rule(this.chosen);
    at("what-if").hidden = false;
    at("h-if").textContent = `What if: ${plain(rule.name)}`;
    at("if-say").textContent = rule.say;
    this._near();
    const groups = new Map();
    for (const k of rule.keys) groups.set(k.tune, [...(groups.get(k.tune) ?? []), k]);
    const forms = [...groups].map(([tune, keys]) => make("fieldset", {}, tune || groups.size > 1 ? make("legend", {}, tune ? `under the tune ${tune}` : "with any other tune") : null, ...keys.map((k) => this._key(rule, k))));
    if (!rule.keys.length) forms.push(make("p", { class: "quiet" }, "This rule stands in no file: its signal is marked as required in signals.toml."));
    at("if-keys").replaceChildren(...forms);
    this._settings();
  }

  _unit(words) { return this.drive.signals.find((s) => s.words === words)?.unit ?? ""; }

  _now(rule, k) { return this.edits.get(`${rule.name}/${k.tune}/${k.key}`)?.value ?? k.value; }

  _key(rule, k) {
    const words = `${KEY[k.key]}${k.kind === "share" ? ", a share" : ""}`, value = this._now(rule, k);
    const set = (v) => this._set(rule, k, v);
    if (k.kind === "curve") {
      const inputs = k.knots.map((x, i) => {
        const input = make("input", { type: "number", step: "any", value: value[i] });
        input.addEventListener("change", () => { const ys = inputs.map((n) => n.valueAsNumber); if (ys.every(Number.isFinite)) { input.classList.toggle("changed", ys[i] !== k.value[i]); set(ys); } });
        return input;
      });
      return make("div", { class: "key curve", role: "group", "aria-label": `${words} over ${k.over}` }, make("span", {}, words),
        make("div", { class: "knots" }, ...k.knots.map((x, i) => make("label", {}, `${k.over} ${amount(x, this._unit(k.over))}`, inputs[i]))));
    }
    const size = Math.max(Math.abs(k.value), k.kind === "share" ? 0.1 : k.key.endsWith("_s") ? 4 : 1), timed = k.key !== "above" && k.key !== "below";
    const step = 10 ** Math.floor(Math.log10(size / 50)), low = timed ? 0 : k.value - size * 0.3, high = timed ? size * 4 : k.value + size * 0.3;
    const id = `key-${k.tune}-${k.key}`;
    const slider = make("input", { type: "range", min: Math.min(Math.round(low / step) * step, value), max: Math.max(Math.round(high / step) * step, value), step, value, "aria-label": `${words}, slider` });
    const input = make("input", { type: "number", id, step: "any", value, class: value === k.value ? "" : "changed" });
    const put = (v, from) => {
      if (!Number.isFinite(v)) return;
      if (from !== input) input.value = v;
      if (from !== slider) slider.value = v;
      input.classList.toggle("changed", v !== k.value);
      set(v);
    };
    slider.addEventListener("input", () => put(Number(Number(slider.value).toPrecision(9)), slider));
    input.addEventListener("input", () => put(input.valueAsNumber, input));
    return make("div", { class: "key" }, make("label", { htmlFor: id }, words), slider, input, make("span", { class: "quiet" }, unit(k.unit)));
  }

  _set(rule, k, value) {
    const key = `${rule.name}/${k.tune}/${k.key}`;
    if (JSON.stringify(value) === JSON.stringify(k.value)) this.edits.delete(key);
    else this.edits.set(key, { rule: rule.name, tune: k.tune, key: k.key, value });
    this._judge();
    clearTimeout(this.later);
    this.later = setTimeout(() => this._settings(), 350);
  }

  _near() {
    const told = this.answer?.rules.find((r) => r.name === this.chosen);
    if (!told) return;
    const n = told.near, rule = this._rule(told.name);
    const u = ["exposure", "reach"].includes(rule.kind) ? "s" : rule.kind === "rate" ? `${unit(rule.unit)}/s` : rule.unit;
    let words = told.raises ? `Raised ${told.raises}×, true for ${lasted(told.active_s)} in all.` : "Not raised in this drive.";
    if (n && n.excess !== null) {
      const around = Object.entries(n.around).map(([role, v]) => (role === "pedal" ? `pedal ${Math.round(v.value * (v.unit === "1" ? 100 : 1))} %` : role === "rpm" ? `${number(v.value, 0)} rpm` : `${AROUND[role]} ${amount(v.value, v.unit)}`));
      if (n.grade !== null) around.push(`${number(n.grade * 100, 1)} % grade`);
      if (n.tune) around.push(`tune ${n.tune}`);
      words += ` Nearest at ${clock(n.at.time)}: ${amount(n.value, u)}, limit ${amount(n.limit, u)}, ${n.excess > 0 ? `${amount(n.excess, u)} past it` : `${amount(-n.excess, u)} left`}${around.length ? ` (${around.join(", ")})` : ""}.`;
    }
    at("if-near").textContent = words;
  }

  async _settings() {
    const name = this.chosen, mine = (this.grids = (this.grids ?? 0) + 1);
    at("grid").setAttribute("aria-busy", "true");
    try {
      const told = await (await ask("/settings", { edits: this._edits(), rule: name })).json();
      if (mine !== this.grids) return;
      this._grid(told);
    } catch (error) {
      if (mine === this.grids) at("grid-words").textContent = error.message;
    } finally {
      if (mine === this.grids) at("grid").removeAttribute("aria-busy");
    }
  }

  _grid(told) {
    const rule = this._rule(told.rule), most = Math.max(1, ...told.cells.flat().map((c) => c.active_s));
    const head = (s) => (told.limit !== null ? number(told.limit + s) : s === 0 ? "as it is" : `${s > 0 ? "+" : ""}${number(s)}`);
    const rows = told.delays_s.map((d, i) => make("tr", {}, make("th", { scope: "row" }, `${number(d, 1)}\u00a0s`), ...told.shifts.map((s, j) => {
      const c = told.cells[i][j], own = s === 0 && d === told.own_delay_s;
      const words = c.raises ? `raised ${c.raises} times, true for ${lasted(c.active_s)}` : "never raised";
      const button = make("button", { type: "button", title: words, "aria-label": `limit ${head(s)}, after ${number(d, 1)} seconds: ${words}` }, String(c.raises), make("small", {}, c.raises ? short(c.active_s) : "–"));
      button.style.backgroundColor = c.raises ? `color-mix(in srgb, #f0b489 ${Math.round(15 + 70 * Math.sqrt(c.active_s / most))}%, white)` : "";
      if (own) button.setAttribute("aria-current", "true");
      button.addEventListener("click", () => this._try(rule, s, d));
      return make("td", {}, button);
    })));
    const limits = make("tr", {}, make("td"), ...told.shifts.map((s) => make("th", { scope: "col" }, head(s))));
    at("grid").replaceChildren(make("table", {}, make("thead", {}, limits), make("tbody", {}, ...rows)));
    const tuned = rule.keys.some((k) => k.tune) ? " The limits of its tunes move by as much." : "";
    at("grid-words").textContent = `Across: the limit; down: the time it takes to be raised.${tuned}${rule.keys.length ? " Choose a cell to try it." : ""}`;
  }

  _try(rule, shift, delay) {
    for (const k of rule.keys) {
      const now = this._now(rule, k);
      if ((k.key === "above" || k.key === "below") && shift) this._put(rule, k, Array.isArray(now) ? now.map((y) => y + shift) : Number((now + shift).toPrecision(12)));
      if (k.key === "on_delay_s") this._put(rule, k, delay);
    }
    if (!rule.keys.some((k) => k.key === "on_delay_s" && !k.tune) && rule.keys.length) this._put(rule, { tune: "", key: "on_delay_s", value: 0 }, delay);
    this._judge();
    this._form();
  }

  _put(rule, k, value) {
    const key = `${rule.name}/${k.tune}/${k.key}`;
    if (JSON.stringify(value) === JSON.stringify(k.value)) this.edits.delete(key);
    else this.edits.set(key, { rule: rule.name, tune: k.tune, key: k.key, value });
  }

  // --------------------------------------------------------------------------------------------- what it changes

  _changes() {
    const a = this.answer;
    at("changes").hidden = !a.token;
    if (!a.token) return;
    const words = a.changes.map((c) => {
      const name = plain(c.rule), quiet = (e) => (e.quiet ? ` (quiet: ${e.quiet.replaceAll("-", " ")})` : "");
      if (c.kind === "new") return `${name}: new at ${clock(c.after.from.time)}, for ${lasted(c.after.seconds)}${quiet(c.after)}`;
      if (c.kind === "gone") return `${name}: gone at ${clock(c.before.from.time)}, was ${lasted(c.before.seconds)}${quiet(c.before)}`;
      const shift = c.after.from.time - c.before.from.time;
      const when = Math.abs(shift) < 0.05 ? "at the same time" : `${lasted(Math.abs(shift))} ${shift < 0 ? "earlier" : "later"}`;
      return `${name}: ${when}, at ${clock(c.after.from.time)}, for ${lasted(c.after.seconds)} (was ${lasted(c.before.seconds)})`;
    });
    at("differences").replaceChildren(...(words.length ? words : ["The rules would have said the same of this drive."]).map((w) => make("li", {}, w)));
    at("diff").textContent = a.diff;
    at("save").href = `/rules.toml?rules=${a.token}`;
    at("save-diff").href = `/rules.diff?rules=${a.token}`;
  }
}
