// The screen "Speed": what loss and cost do with speed, from deliberate steps only, and the steps to drive next.
import * as asks from './asks.js';
import { byId, make, mark, text } from './dom.js';
import { ageOf, get, on } from './facts.js';
import { age, amount, fixed, say } from './format.js';
import { STALE_S } from './fresh.js';
import { inUnits } from './inunits.js';
import * as kept from './kept.js';
import { current, onShow } from './navigation.js';
import { read, typed } from './read.js';
import { chart } from './speedchart.js';
import { shown, unit } from './units.js';

const COSTS = 'tailgrain-costs';
const ANEW_MS = 120_000;
const AGAIN_MS = 15_000;
const STEP_S = 90;

let answer = null;
let readAt = 0;
let busy = false;
let timer = null;
let costs = recall();
let plan = null; // {kmh, at}: the step that is driven now
let driven = new Set();

function recall() {
  const found = kept.recall(COSTS, kept.isObject) ?? {};
  return Object.fromEntries(['hourly', 'weather'].filter((name) => Number.isFinite(found[name])).map((name) => [name, found[name]]));
}

const kmh = (value) => `${fixed(shown(value, 'km/h'), 1)} ${unit('km/h')}`;

async function load(anew = false) {
  clearTimeout(timer);
  if (busy || (!anew && answer && performance.now() - readAt < ANEW_MS)) return;
  busy = true;
  byId('speed-again').disabled = true;
  if (!answer) text(byId('speed-why'), say('speed.reading'));
  try {
    answer = await read('speed', costs);
    readAt = performance.now() - answer.age_s * 1000;
    fault('');
  } catch (error) {
    fault(say('speed.fault', { why: error.message }));
    timer = setTimeout(() => current() === 'speed' && load(true), AGAIN_MS);
    if (!answer) text(byId('speed-why'), '');
  }
  busy = false;
  byId('speed-again').disabled = false;
  render();
}

function fault(words) {
  byId('speed-fault').hidden = words === '';
  text(byId('speed-fault'), words);
}

function render() {
  if (!answer) return;
  text(byId('speed-why'), inUnits(answer.why));
  const best = answer.best_kmh;
  byId('speed-figures').hidden = best === null && answer.kmh_at_limit === null;
  text(byId('speed-best'), best === null ? fixed(null, 1) : say('speed.best_range', { best: fixed(shown(best, 'km/h'), 1), low: fixed(shown(answer.best_low, 'km/h'), 1), high: fixed(shown(answer.best_high, 'km/h'), 1) }));
  text(byId('speed-limit'), fixed(shown(answer.kmh_at_limit, 'km/h'), 1));
  text(byId('speed-extra'), fixed(shown(answer.present_extra_per_ha, 'per ha'), 2));
  draw();
  table();
  steps();
  tick();
}

// ---- the charts, with their values as a table

function draw() {
  const seen = answer.seen.filter((one) => one.kg_ha !== null);
  const curve = answer.steps > 0 ? answer.points.filter((one) => one.kg_ha !== null) : [];
  byId('speed-charts').hidden = seen.length === 0 && curve.length === 0;
  byId('speed-key-curve').hidden = curve.length === 0;
  if (byId('speed-charts').hidden) return;
  const v = (one) => ({ x: shown(one.kmh, 'km/h'), y: shown(one.kg_ha, 'kg/ha'), low: shown(one.low, 'kg/ha'), high: shown(one.high, 'kg/ha') });
  const marks = { now: shown(answer.present_kmh, 'km/h'), best: answer.best_kmh === null ? null : [answer.best_low, answer.best_kmh, answer.best_high].map((one) => shown(one, 'km/h')) };
  const limit = get('live')?.limit_kg_ha ?? null;
  chart(byId('speed-loss'), { curve: curve.map(v), seen: seen.map(v), limit: limit === null ? null : shown(limit, 'kg/ha'), ...marks, unit: unit('km/h'), name: say('speed.loss_chart') });
  const money = answer.points.map((one, i) => ({ x: shown(one.kmh, 'km/h'), y: shown(answer.cost_per_ha[i], 'per ha') })).filter((one) => Number.isFinite(one.y));
  byId('speed-cost-box').hidden = money.length < 2;
  if (money.length >= 2) chart(byId('speed-cost'), { curve: money, seen: [], limit: null, ...marks, unit: unit('km/h'), name: say('speed.cost_chart') });
}

function table() {
  const head = ['km/h', 'kg/ha', 'per ha'].map((si) => make('th', { scope: 'col' }, unit(si)));
  head.splice(2, 0, make('th', { scope: 'col' }, say('speed.interval')));
  const row = (one, cost, kind) => make(
    'tr', {},
    make('th', { scope: 'row' }, fixed(shown(one.kmh, 'km/h'), 1)),
    make('td', {}, amount(shown(one.kg_ha, 'kg/ha'))),
    make('td', {}, one.low === null ? fixed(null, 0) : say('points.range', { low: amount(shown(one.low, 'kg/ha')), high: amount(shown(one.high, 'kg/ha')) })),
    make('td', {}, fixed(shown(cost, 'per ha'), 2)),
    make('td', {}, say(`speed.kind_${kind}`)),
  );
  const rows = answer.steps > 0 ? answer.points.map((one, i) => row(one, answer.cost_per_ha[i], 'curve')) : [];
  rows.push(...answer.seen.map((one) => row(one, null, 'seen')));
  byId('speed-table').replaceChildren(make('table', {}, make('thead', {}, make('tr', {}, ...head, make('th', { scope: 'col' }, say('speed.kind')))), make('tbody', {}, ...rows)));
}

// ---- the plan: each touch is an entry "speed to ...", and the clock of its minute and a half

function steps() {
  const host = byId('plan');
  const wanted = answer.plan_kmh.join();
  if (plan || host.dataset.built === wanted) return;
  host.dataset.built = wanted;
  driven = new Set();
  host.replaceChildren(...answer.plan_kmh.map((speed) => make(
    'li', {}, make('button', { type: 'button', class: 'wide', 'data-kmh': speed, onclick: () => hold(speed) },
      make('span', { class: 'plan-speed' }, kmh(speed)), make('span', { class: 'plan-left' }, say('speed.hold', { s: STEP_S }))),
  )));
}

function hold(speed) {
  const was = plan?.kmh ?? answer.present_kmh;
  const from = was === null ? {} : { from: Math.round(was * 10) / 10 };
  asks.tell({ entry: 'setting', what: 'speed_kmh', ...from, to: speed }, say('speed.told', { speed: kmh(speed) }));
  plan = { kmh: speed, at: performance.now(), wall: Date.now() };
  tick();
}

function end() {
  plan = null;
  text(byId('plan-said'), say('speed.plan_over'));
  load(true);
  tick();
}

// A device that slept went on in time, not on its steady clock.
const heldS = () => Math.max(performance.now() - plan.at, Date.now() - plan.wall) / 1000;

function tick() {
  const allowed = get('entering')?.allowed ?? false;
  byId('plan-end').hidden = plan === null;
  const left = plan ? Math.max(0, Math.ceil(STEP_S - heldS())) : 0;
  if (plan && left === 0) driven.add(plan.kmh);
  for (const button of byId('plan').querySelectorAll('button')) {
    const speed = Number(button.dataset.kmh);
    const mine = plan?.kmh === speed;
    button.disabled = !allowed || (mine && left > 0);
    mark(button, 'aria-pressed', String(mine));
    text(button.querySelector('.plan-left'), mine && left > 0 ? say('speed.left', { s: left }) : say(driven.has(speed) ? 'speed.held' : 'speed.hold', { s: STEP_S }));
  }
  if (plan && left === 0) text(byId('plan-said'), say(driven.size < byId('plan').children.length ? 'speed.next' : 'speed.all_held'));
  else if (plan) text(byId('plan-said'), say('speed.holding', { speed: kmh(plan.kmh) }));
  text(byId('speed-age'), answer ? say('speed.age', { age: age((performance.now() - readAt) / 1000) }) : '');
}

function guidance() {
  const told = get('guidance');
  const line = byId('speed-guidance');
  line.hidden = !told || ageOf('live') > STALE_S; // the kit is away: it is no advice any more
  if (told) text(line, inUnits(told.words));
}

function reckon(event) {
  event.preventDefault();
  costs = {};
  for (const name of ['hourly', 'weather']) {
    const value = typed(byId(`speed-${name}`));
    if (!Number.isNaN(value)) costs[name] = value;
  }
  kept.remember(COSTS, costs);
  load(true);
}

export function start() {
  let width = 0;
  new ResizeObserver(() => {
    const now = byId('speed-loss').clientWidth;
    if (!answer || now === 0 || now === width) return;
    width = now;
    draw();
  }).observe(byId('speed-loss'));
  for (const name of ['hourly', 'weather']) if (costs[name] !== undefined) byId(`speed-${name}`).value = costs[name];
  byId('speed-costs').addEventListener('submit', reckon);
  byId('speed-again').addEventListener('click', () => load(true));
  byId('plan-end').addEventListener('click', end);
  onShow('speed', load);
  for (const topic of ['guidance', 'live']) on(topic, guidance);
  on('kit', () => {
    if (answer) render();
    else if (current() === 'speed') load(); // the dashboard has come back
  });
  on('entering', tick);
  setInterval(() => {
    if (current() === 'speed' || plan) tick();
    guidance();
  }, 1000);
}
