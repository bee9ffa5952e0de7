// Which signal is nearest to its limit, without flicker: another takes its place only when it is clearly nearer, and stays so.

const CLEARLY = 0.05; // share of room
const HOLD_MS = 2000;
const NEXT = 3;

const asks = (signal) => signal.room.action !== "note";
// Those whose next limit asks the driver to act come first.
const rank = (signal) => (asks(signal) ? 0 : 100) + signal.room.share;

export class Nearest {
  #top = null;
  #rival = null;
  #since_ms = 0;
  #next = [];
  #changed_ms = -HOLD_MS;

  /** {top, next}: the signal shown large and the few after it, these in the order they come in. */
  choose(signals, now_ms) {
    const known = signals.filter((s) => s.room !== null && s.value !== null);
    const ranked = [...known].sort((a, b) => rank(a) - rank(b));
    const top = this.#chooseTop(known, ranked[0] ?? null, now_ms);
    return { top, next: this.#chooseNext(known.filter((s) => s !== top), now_ms) };
  }

  #chooseTop(known, best, now_ms) {
    const top = known.find((s) => s.name === this.#top) ?? null;
    if (top === null || best === null || (asks(best) && !asks(top))) {
      this.#rival = null;
      this.#top = best?.name ?? null;
      return best;
    }
    if (best === top || rank(top) - rank(best) <= CLEARLY) {
      this.#rival = null;
      return top;
    }
    if (this.#rival === null) {
      this.#rival = best.name;
      this.#since_ms = now_ms;
    }
    if (now_ms - this.#since_ms < HOLD_MS) return top;
    this.#rival = null;
    this.#top = best.name;
    return best;
  }

  #chooseNext(others, now_ms) {
    const ranked = [...others].sort((a, b) => rank(a) - rank(b));
    let held = this.#next.filter((name) => others.some((s) => s.name === name));
    for (const signal of ranked) {
      if (held.length >= NEXT) break;
      if (!held.includes(signal.name)) held.push(signal.name);
    }
    const inside = ranked.filter((s) => held.includes(s.name));
    const outside = ranked.find((s) => !held.includes(s.name));
    const last = inside.at(-1);
    if (outside && last && rank(last) - rank(outside) > CLEARLY && now_ms - this.#changed_ms >= HOLD_MS) {
      held = held.filter((name) => name !== last.name).concat(outside.name);
      this.#changed_ms = now_ms;
    }
    this.#next = held;
    return others.filter((s) => held.includes(s.name));
  }
}
