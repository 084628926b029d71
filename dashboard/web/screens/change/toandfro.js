// A-B-A-B: the old and the new value in turn, ten minutes of steady work each. The page keeps the plan and the time; every
// switch is made on the machine by a person and entered by a tap. What stretch it is follows from the record.
import * as asks from '../../page/asks.js';
import { byId, make, mark, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { say } from '../../lib/format.js';
import { inForce, onInForce } from '../../page/inforce.js';
import * as machine from '../../page/machine.js';
import { onShow } from '../../page/navigation.js';
import { read } from '../../lib/read.js';
import { changes, entryOf, inWords, lastChange } from './settingchange.js';

const KEY = 'tailgrain-to-and-fro';
const STRETCH_S = 600;
const STRETCHES = 4; // A B A B; the first A is the work before the change

let plan = null;  // {what, name, a, b, id, seq}: the entry of the change from a to b, and its number once it is kept
let worked = { of: null, seconds: 0 };

function recall() {
  try {
    plan = JSON.parse(localStorage.getItem(KEY) ?? 'null');
    if (typeof plan?.what !== 'string' || plan.seq === undefined) plan = null;
  } catch {
    plan = null;
  }
}

function remember() {
  try {
    if (plan) localStorage.setItem(KEY, JSON.stringify(plan));
    else localStorage.removeItem(KEY);
  } catch { /* then it lives as long as the page */ }
}

const same = (one, other) => one === other || (typeof one === 'number' && typeof other === 'number' && Math.abs(one - other) < 1e-6);

// The changes of the plan so far: from a to b, back, and so on; and whether something came between.
function course() {
  const all = changes().filter((one) => plan.seq !== null && one.seq >= plan.seq);
  const mine = all.filter((one) => one.what === plan.what && (one.name ?? null) === (plan.name ?? null));
  const wanted = (i) => (i % 2 === 0 ? plan.b : plan.a);
  const astray = mine.some((one, i) => !same(one.to, wanted(i)));
  return { mine, astray, moved: all.at(-1) !== mine.at(-1) && all.length > mine.length };
}

export function startFrom(what, a, b, id) {
  plan = { what, name: null, a, b, id, seq: null };
  remember();
  render();
}

function begin() {
  const last = lastChange();
  if (!last || last.from === null || same(last.from, last.to)) return;
  plan = { what: last.what, name: last.name, a: last.from, b: last.to, id: null, seq: last.seq };
  remember();
  count();
}

function end() {
  plan = null;
  remember();
  render();
}

async function count() {
  const last = plan && course().mine.at(-1);
  if (!last) return render();
  try {
    worked = { of: last.seq, seconds: (await read('worked', { since: last.at })).seconds };
  } catch { /* the seconds heard from now on count */ }
  return render();
}

function switchOver() {
  const { mine } = course();
  const from = mine.at(-1)?.to ?? plan.b;
  const to = same(from, plan.b) ? plan.a : plan.b;
  asks.tell(entryOf(plan.what, from, to, plan.name), inWords(plan.what, plan.name, from, to), (other) => other.entry === 'setting' && other.what === plan.what);
}

function stretches(at) {
  return Array.from({ length: STRETCHES }, (_, i) => {
    const value = machine.withUnit(plan.what, i % 2 === 0 ? plan.a : plan.b);
    return make('li', { 'data-stretch': i < at ? 'done' : i === at ? 'now' : 'next', 'aria-current': i === at ? 'step' : null }, make('b', {}, i % 2 === 0 ? 'A' : 'B'), ' ', value);
  });
}

function show(words, { start = '', over = '', stop = false } = {}) {
  byId('fro-say').hidden = words === '';
  text(byId('fro-say'), words);
  byId('fro-start').hidden = start === '';
  text(byId('fro-start'), start);
  byId('fro-switch').hidden = over === '';
  text(byId('fro-switch'), over);
  byId('fro-stop').hidden = !stop;
  const off = !(get('entering')?.allowed ?? false);
  byId('fro-switch').disabled = off || asks.isWaiting((entry) => entry.entry === 'setting');
  byId('fro-start').disabled = off;
}

function idle() {
  byId('fro-plan').hidden = true;
  const last = lastChange();
  if (!last || last.from === null || same(last.from, last.to)) return show(say('change.fro_none'));
  return show('', { start: say('change.fro_start', { a: machine.withUnit(last.what, last.from), b: machine.withUnit(last.what, last.to) }) });
}

export function render() {
  if (!inForce() || !get('kit')) return undefined;
  if (!plan) return idle();
  const { mine, astray, moved } = course();
  const name = machine.nameOf(plan.what, plan.name);
  if (astray) {
    byId('fro-plan').hidden = true;
    return show(say('change.fro_astray', { name }), { stop: true });
  }
  const at = mine.length; // 0: the first change is still on its way
  const plans = byId('fro-plan');
  plans.hidden = false;
  mark(plans, 'data-at', at);
  plans.replaceChildren(...stretches(Math.min(at, STRETCHES)));
  if (at === 0) return show(say('asks.sending', { what: inWords(plan.what, plan.name, plan.a, plan.b) }), { stop: true });
  const left = Math.max(0, STRETCH_S - (worked.of === mine.at(-1).seq ? worked.seconds : 0));
  const minutes = (left / 60).toFixed(1);
  const value = machine.withUnit(plan.what, mine.at(-1).to);
  if (moved) return show(say('change.fro_moved'), { stop: true });
  if (at >= STRETCHES - 1) return show(left > 0 ? say('change.fro_last', { left: minutes }) : say('change.fro_done'), { stop: true });
  const next = machine.withUnit(plan.what, same(mine.at(-1).to, plan.b) ? plan.a : plan.b);
  if (left > 0) return show(say('change.fro_hold', { name, value, left: minutes }), { stop: true });
  return show(say('change.fro_switch', { name, value: next }), { over: say('change.fro_switched', { name, value: next }), stop: true });
}

function second(live) {
  if (!plan || !live) return;
  const last = course().mine.at(-1);
  if (last && worked.of !== last.seq) {
    worked = { of: last.seq, seconds: 0 };
    count();
  } else if (live.state === 'working') {
    worked.seconds += 1;
  }
  render();
}

export function start() {
  recall();
  byId('fro-start').addEventListener('click', begin);
  byId('fro-stop').addEventListener('click', end);
  byId('fro-switch').addEventListener('click', switchOver);
  onInForce(render);
  on('live', second);
  on('entering', render);
  asks.onAnswer((entry, answer, id) => {
    if (plan?.seq === null && answer && id === plan.id) {
      if (!answer.ok) return end();
      plan.seq = answer.seq;
      remember();
    }
    return render();
  });
  onShow('change', count);
}
