// The screen "Speed": what loss and cost do with speed, from deliberate steps only, and what an hour costs.
import { byId, make, text } from '../../lib/dom.js';
import { ageOf, get, on } from '../../lib/facts.js';
import { field, readAll } from '../../lib/fields.js';
import { age, amount, fixed, say } from '../../lib/format.js';
import { STALE_S } from '../../page/fresh.js';
import { inUnits } from '../../lib/inunits.js';
import * as kept from '../../lib/kept.js';
import { current, onShow } from '../../page/navigation.js';
import { read } from '../../lib/read.js';
import { chart } from './chart.js';
import * as speedplan from './plan.js';
import { shown, unit } from '../../lib/units.js';

const COSTS = 'tailgrain-costs';
const ANEW_MS = 120_000;
const AGAIN_MS = 15_000;

let answer = null;
let readAt = 0;
let busy = false;
let timer = null;
let costs = recall();

function recall() {
  const found = kept.recall(COSTS, kept.isObject) ?? {};
  return Object.fromEntries(['hourly', 'weather'].filter((name) => Number.isFinite(found[name])).map((name) => [name, found[name]]));
}

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
  speedplan.offer(answer.plan_kmh);
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

function tick() {
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
  const values = readAll({ hourly: 'speed-hourly', weather: 'speed-weather' });
  if (!values) return text(byId('costs-said'), say('speed.bad'));
  costs = values;
  kept.remember(COSTS, costs);
  const words = Object.fromEntries(['hourly', 'weather'].map((name) => [name, costs[name] ?? say('speed.by_file')]));
  text(byId('costs-said'), say('speed.reckoned', words));
  return load(true);
}

export function start() {
  let width = 0;
  new ResizeObserver(() => {
    const now = byId('speed-loss').clientWidth;
    if (!answer || now === 0 || now === width) return;
    width = now;
    draw();
  }).observe(byId('speed-loss'));
  byId('costs-fields').append(...['hourly', 'weather'].map((name) => field({ id: `speed-${name}`, label: say(`speed.${name}`) })));
  for (const name of ['hourly', 'weather']) if (costs[name] !== undefined) byId(`speed-${name}`).value = costs[name];
  byId('speed-costs').addEventListener('submit', reckon);
  byId('speed-again').addEventListener('click', () => load(true));
  speedplan.start(() => load(true));
  onShow('speed', () => {
    load();
    guidance();
  });
  for (const topic of ['guidance', 'live']) on(topic, guidance);
  on('kit', () => {
    if (answer) render();
    else if (current() === 'speed') load(); // the dashboard has come back
  });
  setInterval(() => {
    if (current() === 'speed') tick();
    guidance();
  }, 1000);
}
