// Tones for ears under muffs: each its own rhythm, so that none is known by pitch alone.
const SCORES = {
  armed: [[660, 0, 0.12], [880, 0.18, 0.18]],
  start: [[880, 0, 0.6]],
  done: [[990, 0, 0.15], [660, 0.25, 0.15], [440, 0.5, 0.4]],
  fault: [[520, 0, 0.2], [390, 0.25, 0.2], [520, 0.5, 0.2], [390, 0.75, 0.2], [520, 1.0, 0.2], [390, 1.25, 0.2]],
};
let context = null;
let on = true;
export const played = [];

export function switchTones(to) { on = to; }
export function tonesOn() { return on; }
export function tonesReady() { return context !== null && context.state === "running"; }

// a browser lets a page sound only after a key or a press
export function wakeTones() {
  if (!("AudioContext" in window)) return;
  if (context === null) context = new AudioContext();
  if (context.state === "suspended") context.resume();
}

export function tone(name) {
  if (!on) return;
  played.push(name);
  if (played.length > 50) played.shift();
  if (!tonesReady()) return;
  for (const [hertz, at, length] of SCORES[name]) {
    const source = context.createOscillator();
    const gain = context.createGain();
    const begin = context.currentTime + at;
    source.type = "square";
    source.frequency.value = hertz;
    gain.gain.setValueAtTime(0, begin);
    gain.gain.linearRampToValueAtTime(0.25, begin + 0.01);
    gain.gain.setValueAtTime(0.25, begin + length - 0.02);
    gain.gain.linearRampToValueAtTime(0, begin + length);
    source.connect(gain).connect(context.destination);
    source.start(begin);
    source.stop(begin + length);
  }
}
