// What to do now, in a line each: the speed that holds the limit, what the last change did, the advice in force.
import { byId, mark, reshape, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { say } from '../../lib/format.js';
import { inUnits } from '../../lib/inunits.js';

const SHAPES = { ease: 'falling', room: 'rising', hold: 'steady', none: 'none' };
const VERDICTS = { better: 'normal', worse: 'caution', mixed: 'near', 'no detectable change': 'steady', 'not enough data': 'blank' };
const NEAR_KMH = 0.15;

// Slower, faster or as it is: by the speed named against the speed driven.
function kind(told) {
  const speed = get('live')?.speed_kmh ?? null;
  if (told.kmh === null || speed === null) return 'none';
  if (told.kmh < speed - NEAR_KMH) return 'ease';
  return told.kmh > speed + NEAR_KMH ? 'room' : 'hold';
}

function guidance(told) {
  const line = byId('guidance');
  const live = get('live');
  // Off work, and before any tray test, there is nothing to say that does not stand above it.
  const speaks = Boolean(told) && live?.state === 'working' && live.calibration.state !== 'none';
  if (line.hidden === speaks) line.hidden = !speaks;
  if (!speaks) return;
  const now = kind(told);
  mark(line, 'data-kind', now);
  reshape(line.querySelector('svg'), SHAPES[now]);
  // Its figures in brackets stand on this page already, its second sentence on the screen Speed.
  text(byId('guidance-words'), first(inUnits(told.words.replace(/ \(now [^)]*\)/, '')), 1));
}

// The first sentence says what was seen; the rest stands on the screen Change.
// A mixed verdict has its other side in the second one.
const first = (words, n) => words.split(/(?<=[.;!?]) /).slice(0, n).join(' ');

function verdict(told) {
  byId('guide-verdict').hidden = !told;
  if (!told) return;
  mark(byId('guide-verdict'), 'data-verdict', told.verdict);
  reshape(byId('guide-verdict').querySelector('svg'), VERDICTS[told.verdict] ?? 'none');
  text(byId('guide-verdict-words'), first(inUnits(told.words), told.verdict === 'mixed' ? 2 : 1));
}

function advice(told) {
  byId('guide-advice-more').hidden = !told;
  text(byId('guide-advice-words'), told ? inUnits(told.words) : say('guide.none'));
  byId('guide-caution').hidden = !told?.caution;
  text(byId('guide-caution-words'), inUnits(told?.caution ?? ''));
}

export function start() {
  on('guidance', guidance);
  for (const topic of ['kit', 'live']) on(topic, () => guidance(get('guidance')));
  on('verdict', verdict);
  on('advice', advice);
}
