// The sound of alerts, made here with Web Audio. Severities differ by rhythm first: danger hurries in threes, caution
// beats twice and slowly, a notice is one long soft tone. A browser lets no page sound before it was touched.
import { byId, mark, reshape, text } from '../lib/dom.js';
import { say } from '../lib/format.js';

const KEY = 'tailgrain-sound';

// [begin, length, hertz] in s, and after how many s it comes again while nobody has acknowledged (0: never).
export const PATTERNS = {
  danger: {
    again: 4, loud: 0.9,
    tones: [[0, 0.1, 988], [0.16, 0.1, 988], [0.32, 0.1, 988], [0.72, 0.1, 988], [0.88, 0.1, 988], [1.04, 0.1, 988]],
  },
  caution: { again: 15, loud: 0.6, tones: [[0, 0.35, 660], [0.7, 0.35, 660]] },
  notice: { again: 0, loud: 0.35, tones: [[0, 0.9, 440]] },
};

const EDGE_S = 0.012; // a tone that starts at once clicks

let context = null;
let muted = recall();
let wanted = null; // severity that calls now, or nothing
let last = -Infinity;
let played = '';
const hearers = [];

function recall() {
  try {
    return localStorage.getItem(KEY) === 'off';
  } catch {
    return false;
  }
}

export const isMuted = () => muted;
export const onChange = (hear) => hearers.push(hear);

// on | muted | blocked: it waits for a touch | none: this browser has no Web Audio.
export function state() {
  if (!window.AudioContext) return 'none';
  if (muted) return 'muted';
  return context?.state === 'running' ? 'on' : 'blocked';
}

// Lays the tones of a pattern on any audio context, from `at` on.
export function lay(audio, severity, at) {
  const { tones, loud } = PATTERNS[severity];
  for (const [begin, length, hertz] of tones) {
    const tone = audio.createOscillator();
    const gain = audio.createGain();
    tone.type = 'triangle';
    tone.frequency.value = hertz;
    gain.gain.setValueAtTime(0, at + begin);
    gain.gain.linearRampToValueAtTime(loud, at + begin + EDGE_S);
    gain.gain.setValueAtTime(loud, at + begin + length - EDGE_S);
    gain.gain.linearRampToValueAtTime(0, at + begin + length);
    tone.connect(gain).connect(audio.destination);
    tone.start(at + begin);
    tone.stop(at + begin + length);
  }
}

// Sounds a severity once, also while muted: somebody wants to hear it. Inside a touch it unlocks sound, too.
export function play(severity) {
  unlock().then(() => context?.state === 'running' && sounded(severity));
}

function sounded(severity) {
  lay(context, severity, context.currentTime + 0.03);
  mark(document.documentElement, 'data-sounded', `${severity} ${Math.round(performance.now())}`);
}

async function unlock() {
  if (!window.AudioContext) return;
  try {
    context ??= made();
    if (context.state !== 'running') await context.resume();
  } catch {
    // The browser still says no; the next touch tries again.
  }
  show();
}

function made() {
  const audio = new AudioContext();
  audio.addEventListener('statechange', show);
  return audio;
}

// The worst alert that nobody has acknowledged, and its name; null: silence. A new one sounds at once.
export function call(severity, name) {
  const fresh = severity !== null && name !== played;
  wanted = severity;
  played = severity === null ? '' : name;
  if (fresh) last = -Infinity;
  tick();
}

function tick() {
  if (wanted === null || state() !== 'on') return;
  const { again } = PATTERNS[wanted];
  const now = performance.now();
  if (last !== -Infinity && (again === 0 || now - last < again * 1000)) return;
  last = now;
  sounded(wanted);
}

function turn() {
  muted = !muted;
  try {
    localStorage.setItem(KEY, muted ? 'off' : 'on');
  } catch {
    // Not remembered, yet turned.
  }
  last = -Infinity;
  show();
  tick();
}

// A blocked sound is let through by the touch; one that plays or is muted is turned.
function touched() {
  if (state() === 'blocked') play('notice');
  else turn();
}

const SHAPES = { on: 'sound', muted: 'muted', blocked: 'sound-blocked', none: 'muted' };

function show() {
  const now = state();
  const button = byId('sound');
  mark(button, 'data-state', now);
  mark(button, 'aria-pressed', String(now === 'on'));
  mark(button, 'aria-label', say(`sound.label_${now}`));
  text(byId('sound-word'), say(`sound.word_${now}`));
  reshape(button.querySelector('svg'), SHAPES[now]);
  text(byId('sound-said'), say(`sound.said_${now}`));
  const other = byId('sound-turn');
  text(other, say(`sound.turn_${now}`));
  other.disabled = now === 'none';
  hearers.forEach((hear) => hear(now));
}

export function start() {
  byId('sound').addEventListener('click', touched);
  byId('sound-turn').addEventListener('click', touched);
  // Any first touch lets sound through; the two buttons above see to it themselves.
  const first = (event) => {
    if (event.target.closest?.('#sound, #sound-turn, [data-sound]') || muted) return;
    if (context?.state !== 'running') unlock().then(tick);
  };
  for (const kind of ['pointerup', 'keydown']) document.addEventListener(kind, first);
  // After sleep a browser may have stopped it.
  document.addEventListener('visibilitychange', () => context && !document.hidden && unlock());
  setInterval(tick, 500);
  show();
}
