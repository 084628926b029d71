// What the last tray test did: used or not and why, the factor before and after with its interval, another one or not.
import * as asks from '../../page/asks.js';
import { byId, make, mark, reshape, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { clock, fixed, has, say } from '../../lib/format.js';
import { inUnits } from '../../lib/inunits.js';
import { onShow } from '../../page/navigation.js';
import { read } from '../../lib/read.js';
import { inWords as wordsOf } from '../../entries/entrywords.js';
import * as takeback from '../../entries/takeback.js';
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

// A test in a line; a struck one stays readable. `back`: the button that takes it back.
function told(one) {
  const line = `${say(one.used ? 'tray.used' : 'tray.unused', { n: one.number, time: clock(one.at * 1000, true) })}${one.used ? '' : ` ${say('tray.unused_why', { why: inUnits(one.why) })}`}`;
  return takeback.struckParts(line, one.struck);
}

const back = (one) => (one.struck || one.entry_seq === null ? '' : takeback.button(one.entry_seq, 'tray', wordsOf(one.entry)));

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
  const last = known.tests.filter((one) => !one.struck).at(-1) ?? null;
  byId('tray-result-none').hidden = last !== null;
  byId('tray-result-some').hidden = last === null;
  byId('tray-result-waits').hidden = !waits;
  text(byId('tray-result-waits'), waits ? say('tray.result_waits') : '');
  text(byId('tray-another'), known.another ? another() : '');
  mark(byId('tray-another'), 'data-worth', known.another ? String(known.another.worth) : null);
  byId('tray-earlier').replaceChildren(
    ...known.tests.filter((one) => one !== last).reverse().map((one) => make('li', { 'data-struck': one.struck ? 'yes' : null }, make('p', {}, ...told(one)), back(one))),
  );
  if (!last) return;
  byId('tray-back').replaceChildren(back(last));
  mark(byId('tray-used'), 'data-used', last.used ? 'yes' : 'no');
  reshape(byId('tray-used').querySelector('svg'), last.used ? 'normal' : 'no_data');
  text(byId('tray-used').querySelector('span'), say(last.used ? 'tray.used' : 'tray.unused', { n: last.number, time: clock(last.at * 1000, true) }));
  text(byId('tray-why'), last.used ? '' : say('tray.unused_why', { why: inUnits(last.why) }));
  factors(last);
  // The state now: since the test another crop or much time may have come.
  const { state, why } = get('live')?.calibration ?? { state: last.state, why: last.state_why };
  mark(byId('tray-state'), 'data-state', state);
  text(byId('tray-state'), say('tray.state', { state: say(`calibration.${state}`), why: inUnits(why) }));
}

async function load() {
  try {
    const before = known.tests.at(-1)?.seq ?? null;
    known = await read('tests');
    if ((known.tests.at(-1)?.seq ?? null) !== before) waits = false;
    const standing = known.tests.filter((one) => !one.struck);
    usedBy(standing);
    suggest(standing.at(-1)?.entry);
    render();
  } catch { /* the stale line says what is broken */ }
}

function soon() {
  timers.forEach(clearTimeout);
  timers = SOON_MS.map((ms) => setTimeout(load, ms));
}

export function start() {
  asks.onAnswer((entry, answer) => {
    if (!answer?.ok || !['tray', 'strike_out'].includes(entry.entry)) return;
    waits = entry.entry === 'tray';
    render();
    soon();
  });
  on('entry', (entry) => entry?.entry === 'strike_out' && soon());
  on('entering', render);
  on('live', (live) => {
    if (!live || live.calibration.why === seen) return;
    seen = live.calibration.why;
    render();
    soon();
  });
  onShow('tray', load);
}
