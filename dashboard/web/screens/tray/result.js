// What the last tray test did: used or not and why, the factor before and after with its interval, another one or not.
import * as asks from '../../page/asks.js';
import { byId, make, mark, reshape, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { clock, fixed, has, say } from '../../lib/format.js';
import { inUnits } from '../../lib/inunits.js';
import { onShow } from '../../page/navigation.js';
import { read } from '../../lib/read.js';
import { suggest, usedBy } from './form.js';

const SOON_MS = [500, 3_000, 7_000]; // a test takes effect up to 5 s after its mark

let known = { tests: [], another: null };
let seen = null;
let waits = false;
let timers = [];

const amount = (mg) => (mg < 9.95 ? mg.toFixed(2) : mg < 99.5 ? mg.toFixed(1) : mg.toFixed(0));
const inWords = (one) => say('tray.factor_is', { k: amount(one.k), low: amount(one.low), high: amount(one.high) });

function row(point, before, after, top) {
  const bar = (one, kind) => {
    const line = make('i', { class: 'factor-bar', 'data-kind': kind });
    line.style.left = `${((100 * one.low) / top).toFixed(1)}%`;
    line.style.width = `${Math.max(1, Math.min(100, (100 * (one.high - one.low)) / top)).toFixed(1)}%`;
    const dot = make('b', {});
    dot.style.left = `${((100 * one.k) / top).toFixed(1)}%`;
    return make('div', { class: 'factor-lane', 'aria-hidden': 'true' }, line, dot);
  };
  return make(
    'section',
    { class: 'factor', 'data-point': point },
    make('h3', {}, say('tray.factor_of', { point: has(`points.${point}`) ? say(`points.${point}`) : point })),
    make('p', {}, make('b', {}, say('tray.before')), ' ', before ? inWords(before) : say('tray.factor_none')),
    before ? bar(before, 'before') : '',
    make('p', { class: 'factor-after' }, make('b', {}, say('tray.after')), ' ', after ? inWords(after) : say('tray.factor_none')),
    after ? bar(after, 'after') : '',
  );
}

function factors(test) {
  const known = Object.keys({ ...test.before, ...test.after });
  const points = [...(get('kit')?.points ?? []).filter((one) => known.includes(one))];
  const top = 1.05 * Math.max(1e-6, ...points.flatMap((point) => [test.before?.[point], test.after[point]]).filter(Boolean).map((one) => Math.min(one.high, 4 * one.k)));
  byId('tray-factors').replaceChildren(...points.map((point) => row(point, test.before?.[point], test.after[point], top)));
}

function another() {
  const { why, missing, now_pct: now, next_pct: next } = known.another;
  return say(`tray.another_${why}`, { missing, now: fixed(now, 0), next: fixed(next, 0) });
}

function render() {
  const last = known.tests.at(-1) ?? null;
  byId('tray-result-none').hidden = last !== null;
  byId('tray-result-some').hidden = last === null;
  byId('tray-result-waits').hidden = !waits;
  text(byId('tray-result-waits'), waits ? say('tray.result_waits') : '');
  text(byId('tray-another'), known.another ? another() : '');
  mark(byId('tray-another'), 'data-worth', known.another ? String(known.another.worth) : null);
  if (!last) return;
  mark(byId('tray-used'), 'data-used', last.used ? 'yes' : 'no');
  reshape(byId('tray-used').querySelector('svg'), last.used ? 'normal' : 'no_data');
  text(byId('tray-used').querySelector('span'), say(last.used ? 'tray.used' : 'tray.unused', { n: last.number, time: clock(last.at * 1000, true) }));
  text(byId('tray-why'), last.used ? '' : say('tray.unused_why', { why: inUnits(last.why) }));
  factors(last);
  // The state now: since the test another crop or much time may have come.
  const { state, why } = get('live')?.calibration ?? { state: last.state, why: last.state_why };
  mark(byId('tray-state'), 'data-state', state);
  text(byId('tray-state'), say('tray.state', { state: say(`calibration.${state}`), why: inUnits(why) }));
  byId('tray-earlier').replaceChildren(
    ...known.tests.slice(0, -1).reverse().map((one) => make('li', {}, say(one.used ? 'tray.used' : 'tray.unused', { n: one.number, time: clock(one.at * 1000, true) }), one.used ? '' : ` ${say('tray.unused_why', { why: inUnits(one.why) })}`)),
  );
}

async function load() {
  try {
    const before = known.tests.at(-1)?.seq ?? null;
    known = await read('tests');
    if ((known.tests.at(-1)?.seq ?? null) !== before) waits = false;
    usedBy(known.tests);
    suggest(known.tests.at(-1)?.entry);
    render();
  } catch { /* the stale line says what is broken */ }
}

function soon() {
  timers.forEach(clearTimeout);
  timers = SOON_MS.map((ms) => setTimeout(load, ms));
}

export function start() {
  asks.onAnswer((entry, answer) => {
    if (!answer?.ok || entry.entry !== 'tray') return;
    waits = true;
    render();
    soon();
  });
  on('live', (live) => {
    if (!live || live.calibration.why === seen) return;
    seen = live.calibration.why;
    render();
    soon();
  });
  onShow('tray', load);
}
