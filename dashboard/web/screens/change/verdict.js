// The verdict of the last change: its word, its interval drawn minute by minute as it closes in, and all of it in words.
import { byId, make, mark, reshape, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { DASH, age, amount, fixed, say } from '../../lib/format.js';
import { inForce, onInForce } from '../../page/inforce.js';
import { inUnits } from '../../lib/inunits.js';
import { nowS } from '../../lib/kitclock.js';
import * as machine from '../../page/machine.js';
import { onShow } from '../../page/navigation.js';
import { read } from '../../lib/read.js';
import * as takeback from '../../entries/takeback.js';
import { shown, unit } from '../../lib/units.js';
import { inWords, lastChange } from './settingchange.js';

const LINES = 14;
const LOOKED_AT_S = 3 * 3600;
const SETTLED_MIN = 20;
const SPAN = Math.log(2); // the drawing reaches from half to twice the loss
const SHAPES = { better: 'normal', worse: 'caution', mixed: 'near', 'no detectable change': 'steady', 'not enough data': 'blank' };

let course = { setting: null, verdicts: [], latest: null };

function latestOf(n) {
  const told = get('verdict');
  if (told?.setting === n) return told;
  return course.setting === n ? course.latest : null;
}

// Whether a change still waits for its verdict.
export function isOpen(change) {
  if (nowS() - change.at > LOOKED_AT_S) return false;
  const found = latestOf(change.n);
  if (!found || found.verdict === 'not enough data') return true;
  return found.verdict === 'no detectable change' && found.after.minutes < SETTLED_MIN;
}

const less = (ratio) => Math.round((1 - ratio) * 100);
const more = (ratio) => Math.round((ratio - 1) * 100);

export function intervalWords({ low, high }) {
  if (low === null) return '';
  if (high === null) return low > 1 ? say('change.interval_open_up', { low: more(low) }) : say('change.interval_open', { low: less(low) });
  if (high < 1) return say('change.interval_less', { low: less(high), high: less(low) });
  if (low > 1) return say('change.interval_more', { low: more(low), high: more(high) });
  return say('change.interval_both', { low: less(low), high: more(high) });
}

const place = (ratio) => 50 + (50 * Math.max(-1, Math.min(1, Math.log(Math.max(ratio, 1e-6)) / SPAN)));

function line(one, newest) {
  const bar = make('i', { class: newest ? 'verdict-line newest' : 'verdict-line' });
  const left = place(one.low);
  const right = one.high === null ? 100 : place(one.high);
  bar.style.marginLeft = `${left.toFixed(1)}%`;
  bar.style.width = `${Math.max(1, right - left).toFixed(1)}%`;
  mark(bar, 'data-beyond', [one.low < 0.5 ? 'left' : '', one.high === null || one.high > 2 ? 'right' : ''].join(' ').trim() || null);
  if (newest && one.ratio !== null) {
    const middle = make('b', {});
    middle.style.left = `${Math.max(0, Math.min(100, (100 * (place(one.ratio) - left)) / Math.max(1, right - left))).toFixed(1)}%`;
    bar.append(middle);
  }
  return bar;
}

// Some of the earlier minutes, evenly picked, and always the newest.
function picked(all) {
  if (all.length <= LINES) return all;
  return Array.from({ length: LINES }, (_, i) => all[Math.round((i * (all.length - 1)) / (LINES - 1))]);
}

function draw(found) {
  const known = (course.setting === found?.setting ? course.verdicts : []).filter((one) => one.low !== null);
  const last = found && found.low !== null && known.at(-1)?.low !== found.low ? [found] : [];
  const all = picked([...known, ...last]);
  byId('verdict-chart').hidden = all.length === 0;
  byId('verdict-chart').querySelector('.verdict-lines').replaceChildren(...all.map((one, i) => line(one, i === all.length - 1)));
}

function sides(found) {
  const rows = [
    ['change.steady', (side) => fixed(side.minutes, 1)],
    ['change.loss', (side) => amount(shown(side.kg_ha, 'kg/ha')), { unit: unit('kg/ha') }],
    ['change.returns', (side) => fixed(side.returns_pct, 0)],
    ['change.speed', (side) => fixed(shown(side.kmh, 'km/h'), 1), { unit: unit('km/h') }],
  ];
  const told = rows
    .map(([name, read, values]) => [say(name, values), read(found.before), read(found.after)])
    .filter(([, before, after]) => before !== DASH || after !== DASH);
  byId('verdict-sides').hidden = told.length === 0;
  byId('verdict-sides').querySelector('tbody').replaceChildren(
    ...told.map(([name, before, after]) => make('tr', {}, make('th', { scope: 'row' }, name), make('td', {}, before), make('td', {}, after))),
  );
}

// Built anew only for another change: a button under a finger stays.
function backTo(last) {
  const place = byId('verdict-back');
  const key = `${last.seq}`;
  if (place.dataset.shown === key) return;
  place.dataset.shown = key;
  place.replaceChildren(takeback.button(last.seq, 'setting', inWords(last.what, last.name, last.from, last.to)));
}

export function render() {
  const last = lastChange();
  byId('verdict-none').hidden = last !== null;
  byId('verdict-some').hidden = last === null;
  if (!last) return;
  const found = latestOf(last.n);
  const values = { name: machine.nameOf(last.what, last.name), from: machine.figure(last.what, last.from), to: machine.withUnit(last.what, last.to), age: age(nowS() - last.at) };
  text(byId('verdict-of'), say('change.verdict_of', values));
  backTo(last);
  const word = found?.verdict ?? 'not enough data';
  mark(byId('verdict'), 'data-kind', word);
  reshape(byId('verdict-word').querySelector('svg'), SHAPES[word] ?? 'blank');
  text(byId('verdict-word').querySelector('span'), say(`change.${word}`));
  text(byId('verdict-interval'), found ? intervalWords(found) : '');
  text(byId('verdict-basis'), found && found.ratio !== null ? say(`change.basis_${found.basis}`) : '');
  text(byId('verdict-words'), found ? inUnits(found.words) : say('change.waits'));
  draw(found);
  byId('verdict-sides').hidden = !found;
  if (found) sides(found);
}

async function load() {
  try {
    course = await read('verdicts');
    render();
  } catch { /* the stale line says what is broken */ }
}

export function start() {
  onInForce(render);
  on('verdict', () => {
    render();
    load();
  });
  on('kit', render);
  setInterval(() => inForce() && render(), 10_000); // ages
  onShow('change', load);
}
