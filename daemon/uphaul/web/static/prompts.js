// How a field check sounds, on its own page and on the driver's: three quick ticks first, as no alert begins, then short for
// well and long for not, at a lower pitch than alerts. The buzzer plays the same.

const TICKS = [[0, 0.05], [0.1, 0.05], [0.2, 0.05]];
const after = (...lengths) => {
  let at = 0.45;
  return lengths.map((length) => {
    const tone = [at, length];
    at += length + 0.16;
    return tone;
  });
};
// Start and length of each tone, in seconds.
const RHYTHMS = {
  next: [...TICKS, [0.45, 0.05], [0.55, 0.05], [0.65, 0.05]],
  hold: TICKS,
  passed: [...TICKS, ...after(0.1)],
  broken: [...TICKS, ...after(0.4)],
  failed: [...TICKS, ...after(0.4, 0.4)],
  stop: [...TICKS, ...after(0.4, 0.4, 0.4)],
  done: [...TICKS, ...after(0.1, 0.1, 0.4)],
};
const PITCH_HZ = 660;
const LOUD = 0.4;
const EDGE_S = 0.008;

/** Sounds a prompt at `start`, in seconds of `context`; gives when it ends, and what cuts it off. */
export function sound(context, kind, start) {
  const out = context.createGain();
  out.connect(context.destination);
  let until = start;
  for (const [at, length] of RHYTHMS[kind] ?? []) {
    const tone = context.createOscillator();
    const gain = context.createGain();
    tone.type = "triangle";
    tone.frequency.value = PITCH_HZ;
    gain.gain.setValueAtTime(0, start + at);
    gain.gain.linearRampToValueAtTime(LOUD, start + at + EDGE_S);
    gain.gain.setValueAtTime(LOUD, start + at + length - EDGE_S);
    gain.gain.linearRampToValueAtTime(0, start + at + length);
    tone.connect(gain).connect(out);
    tone.start(start + at);
    tone.stop(start + at + length);
    until = start + at + length;
  }
  return { until, hush: () => out.disconnect() };
}
