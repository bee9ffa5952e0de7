// What fits the evidence, the moments that the driver marked, and the drive beside its reference, cell by cell.
//
// Worked out once the drive is seen and judged. Every moment is a button that shows it on the drive above.

import { amount, ask, at, clock, lasted, make, number } from "/words.js";

const MOST_CAUSES = 5;
const signed = (x, u) => (x > 0 && number(x) !== "0" ? `+${amount(x, u)}` : amount(x, u));
const share = (x) => `${number(100 * x, x < 0.1 ? 1 : 0)} %`;
const list = (items) => make("ul", {}, ...items.map((i) => make("li", {}, ...[i].flat())));

function table(head, rows, caption = null) {
  const th = head.map(([words, kind]) => make("th", { scope: "col", class: kind ?? "" }, words));
  return make("div", { class: "wide" }, make("table", { class: "told" }, caption && make("caption", {}, caption),
    make("thead", {}, make("tr", {}, ...th)), make("tbody", {}, ...rows)));
}

export class Fits {
  constructor(drive, timeline) { this.drive = drive; this.timeline = timeline; }

  async begin() {
    try {
      const told = await (await ask("/fits.json")).json();
      this._marks(told);
      this._findings(told);
      this._beside(told);
    } catch (error) {
      for (const id of ["marked", "findings"]) at(id).replaceChildren();
      at("findings").append(make("p", { class: "caution", role: "alert" }, `What fits can't be told: ${error.message}`));
      at("beside").hidden = true;
    }
    at("fits").removeAttribute("aria-busy");
    document.body.dataset.fits = "yes";
  }

  // ------------------------------------------------------------------------------------------------------- moments

  // Show a stretch of the drive: with some of what is around it, the cursor where it begins.
  _show(from, to, around) {
    const axis = this.timeline.axis, a = from[axis], b = to[axis];
    if (a === null || b === null) return;
    const more = around ? Math.max((b - a) * 0.4, axis === "time" ? 10 : 0.1) : 0;
    this.timeline.go(a - more, b + more);
    this.timeline.stage.scrollIntoView({ block: "nearest" });
    this.timeline.stage.focus({ preventScroll: true });
  }

  _moment(from, to, words = null) {
    const says = words ?? `${clock(from.time)} to ${clock(to.time)}`;
    const button = make("button", { class: "moment", type: "button", "aria-label": `Show ${says} on the drive` }, says);
    button.addEventListener("click", () => { this._show(from, to, true); this.timeline.point(from[this.timeline.axis]); });
    return button;
  }

  _moments(spans) { return spans.map((s) => this._moment(s.from, s.to)); }

  // --------------------------------------------------------------------------------------------------------- marks

  _marks({ marks, marks_words: words }) {
    if (!marks.length) { at("marked").replaceChildren(make("p", { class: "quiet" }, "The driver marked no moment in this drive.")); return; }
    at("marked").replaceChildren(...marks.map((m, i) => {
      const go = make("button", { class: "moment", type: "button" }, `two minutes around ${clock(m.at.time)}`);
      go.addEventListener("click", () => { this._show(m.from, m.to, false); this.timeline.point(m.at[this.timeline.axis]); });
      const out = [make("p", {}, `${i + 1}. ${m.text || "no note"} `, go)];
      if (!m.judged) out.push(make("p", {}, "Can't tell what was unusual: nothing else was driven at the same load."));
      else if (!m.unusual.length) out.push(make("p", {}, "Nothing was unusual."));
      else out.push(table([["unusual"], ["it was", "figure"], ["usual", "figure"], ["against"], ["usual spreads off", "figure"], ["when"]], m.unusual.map((u) => make("tr", {},
        make("th", { scope: "row" }, u.what), make("td", { class: "figure" }, u.was), make("td", { class: "figure" }, u.usual), make("td", {}, u.against),
        make("td", { class: "figure" }, number(u.times, 0)), make("td", {}, this._moment(u.from, u.to))))));
      if (m.usual.length) out.push(make("p", { class: "quiet" }, `As usual for the load: ${m.usual.join(", ")}.`));
      return make("div", { class: "mark" }, ...out);
    }), make("p", { class: "quiet" }, words));
  }

  // ------------------------------------------------------------------------------------------------------ findings

  _evidence(all) { return list(all.map((e) => [`${e.text} `, ...this._moments(e.moments)])); }

  _findings({ findings: f, proven, reference }) {
    const out = [make("p", { class: "verdict" }, f.words)];
    at("verdict").replaceChildren(make("a", { href: "#h-findings" }, f.words));
    if (!reference) out.push(make("p", { class: "caution" }, "No other drive lies beside this one, so nothing could be compared: name the handover drive, or another good one of the same vehicle, with --against."));
    for (const c of f.cautions) out.push(make("p", { class: "caution" }, `Beware: ${c}.`));
    f.ranked.slice(0, MOST_CAUSES).forEach((one, i) => {
      const inside = [make("p", {}, make("b", {}, "Check first: "), /[.?!]$/.test(one.first) ? one.first : `${one.first}.`)];
      const part = (words, all) => { if (all.length) inside.push(make("h3", {}, words), this._evidence(all)); };
      part("Speaks for it", one.for);
      part("Speaks against it", one.against);
      part("Not explained by it", one.strays);
      if (one.cant_tell.length) inside.push(make("h3", {}, "Can't tell"), list(one.cant_tell));
      if (one.rival) inside.push(make("p", {}, make("b", {}, `Against the next, ${one.rival}: `), `${one.apart}.`));
      out.push(make("details", { class: "cause", open: i === 0 },
        make("summary", {}, `${one.place}. ${one.title}${i && one.place === 1 ? " (shares the first place)" : ""}`, make("small", {}, `${one.for.length} for, ${one.against.length + one.strays.length} against, ${one.cant_tell.length} can't tell`)),
        make("div", {}, ...inside)));
    });
    if (f.ranked.length > MOST_CAUSES) out.push(make("p", { class: "quiet" }, `Further behind: ${f.ranked.slice(MOST_CAUSES).map((o) => o.title).join("; ")}.`));
    if (f.seen.length) out.push(table([["sign"], ["it"], ["look at"]], f.seen.map((e) => make("tr", {}, make("td", {}, e.text), make("td", {}, e.stands ? "stands" : "is faint"), make("td", {}, ...this._moments(e.moments.slice(0, 2))))), "Signs that were seen, the strongest first"));
    if (f.calm.length) out.push(make("p", { class: "quiet" }, `Looked for and not seen: ${f.calm.join("; ")}.`));
    if (f.blind.length) out.push(make("details", { id: "blind" }, make("summary", {}, `Can't tell: ${f.blind.length} signs`), list(f.blind.map((b) => `${b.what}: ${b.why}`))));
    out.push(make("p", { class: "quiet" }, proven));
    at("findings").replaceChildren(...out);
  }

  // ---------------------------------------------------------------------------------------------------- comparison

  _beside({ comparison: c, reference }) {
    if (!c) { at("differences-of").replaceChildren(make("p", { class: "quiet" }, "Not compared: no other drive lies beside this one.")); return; }
    at("h-beside").textContent = `Beside ${reference}`;
    const told = c.differences.filter((d) => !d.reason), not = c.differences.filter((d) => d.reason);
    const rows = told.map((d) => {
      const pick = make("button", { class: "pick", type: "button" }, d.what), row = make("tr", {});
      pick.addEventListener("click", () => this._cells(d, row));
      const beyond = d.beyond === null ? "can't tell" : d.beyond ? "yes" : "no";
      row.append(make("th", { scope: "row" }, pick), make("td", { class: "figure" }, signed(d.difference, d.unit)), make("td", { class: "figure" }, amount(d.uncertainty, d.unit)),
        make("td", {}, beyond), make("td", { class: "figure" }, share(d.share)), make("td", {}, ...this._moments(d.moments.slice(0, 1))));
      return row;
    });
    const words = `What both drives did steadily at the same engine speed and load${c.load ? ` (told by ${c.load})` : ""}, freed of weather and height: this drive less the other.`;
    if (rows.length) at("differences-of").replaceChildren(table([["quantity"], ["difference", "figure"], ["give or take (95 %)", "figure"], ["beyond that"], ["share of the drive", "figure"], ["most of it"]], rows, words));
    else at("differences-of").replaceChildren(make("p", {}, "Nothing is comparable."));
    if (not.length) at("not-comparable").replaceChildren(make("h3", {}, "Not comparable"), list(not.map((d) => `${d.what}: ${d.reason}`)));
    // Shown first: what stands out most, by its own uncertainty.
    const first = told.map((d, i) => [Math.abs(d.difference) / Math.max(d.uncertainty, 1e-9), i]).sort((a, b) => b[0] - a[0])[0];
    if (first) this._cells(told[first[1]], rows[first[1]]);
  }

  _cells(d, row) {
    for (const other of document.querySelectorAll("#differences-of tr[aria-current]")) other.removeAttribute("aria-current");
    row.setAttribute("aria-current", "true");
    const by = new Map(d.cells.map((c) => [`${c.x}/${c.y}`, c])), range = (key) => [Math.min(...d.cells.map((c) => c[key])), Math.max(...d.cells.map((c) => c[key]))];
    const [x0, x1] = range("x"), [y0, y1] = range("y"), most = Math.max(...d.cells.map((c) => Math.max(Math.abs(c.difference), c.uncertainty)), 1e-9);
    const step = (axis) => axis.edges[1] - axis.edges[0], edge = (axis, i) => number(axis.edges[i], step(axis) < 0.2 ? 2 : step(axis) % 1 ? 1 : 0);
    const where = (c) => `${d.x.words} ${edge(d.x, c.x)} to ${edge(d.x, c.x + 1)} ${d.x.unit}, ${d.y.words} ${edge(d.y, c.y)} to ${edge(d.y, c.y + 1)} ${d.y.unit}`;
    const sure = (c) => Math.abs(c.difference) > c.uncertainty;
    const figures = (c) => `${where(c)}: ${signed(c.difference, d.unit)}, give or take ${amount(c.uncertainty, d.unit)}${sure(c) ? "" : " (not beyond it)"}; the reference reads ${amount(c.reference, d.unit)}; ${lasted(c.drive_s)} of this drive (${share(c.share)}), ${lasted(c.reference_s)} of the other; ${amount(c.corrected, d.unit)} put down to weather and height.`;
    const lines = [];
    for (let j = y1; j >= y0; j--) {
      const line = make("tr", {}, make("th", { scope: "row" }, edge(d.y, j)));
      for (let i = x0; i <= x1; i++) {
        const c = by.get(`${i}/${j}`);
        if (!c) { line.append(make("td")); continue; }
        const cell = make("td", { class: `full${sure(c) ? " sure" : ""}`, title: figures(c) }, signed(c.difference), make("small", {}, `± ${number(c.uncertainty)}`));
        cell.style.backgroundColor = `color-mix(in oklab, ${c.difference > 0 ? "#e8743b" : "#4a8fc4"} ${Math.round((Math.abs(c.difference) / most) * (sure(c) ? 75 : 25))}%, #f1f0e6)`;
        cell.addEventListener("pointerenter", () => { at("cells-words").textContent = figures(c); });
        line.append(cell);
      }
      lines.push(line);
    }
    const foot = make("tr", {}, make("td"), ...Array.from({ length: x1 - x0 + 1 }, (_, i) => make("th", { scope: "col" }, edge(d.x, x0 + i))));
    at("cells").hidden = false;
    at("cells").replaceChildren(make("table", { "aria-label": `${d.what}: difference by ${d.x.words} and ${d.y.words}` }, make("tbody", {}, ...lines), make("tfoot", {}, foot)));
    at("cells-words").textContent = `${d.what}${d.unit ? ` in ${d.unit}` : ""}; up: ${d.y.words}${d.y.unit ? ` in ${d.y.unit}` : ""}, across: ${d.x.words} in ${d.x.unit}, each from the figure at its edge on. Orange is more than the reference, blue less; bold is beyond the uncertainty. Freed of what differs: ${d.corrected}. Point at a cell for its figures.`;
    const cells = [...d.cells].sort((a, b) => b.drive_s - a.drive_s);
    at("cells-list").hidden = false;
    at("cells-list").querySelector("div").replaceChildren(table([["cell"], ["difference", "figure"], ["give or take", "figure"], ["beyond that"], ["reference", "figure"], ["share of the drive", "figure"]],
      cells.map((c) => make("tr", {}, make("th", { scope: "row" }, where(c)), make("td", { class: "figure" }, signed(c.difference, d.unit)), make("td", { class: "figure" }, amount(c.uncertainty, d.unit)),
        make("td", {}, sure(c) ? "yes" : "no"), make("td", { class: "figure" }, amount(c.reference, d.unit)), make("td", { class: "figure" }, share(c.share)))), d.what));
  }
}
