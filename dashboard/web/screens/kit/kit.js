// The screen "Kit": what is wrong with the kit and what to do, each input's life sign with a tap test, sound.
import { hasEnded, open } from '../../page/alerts.js';
import { FRESH_S, whileShown } from '../../page/counting.js';
import { byId, make, mark, shape, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { age, clock, day, fixed, has, moment, plain, say } from '../../lib/format.js';
import { current, onShow } from '../../page/navigation.js';
import { read } from '../../lib/read.js';
import { Rest } from '../../lib/rest.js';
import * as sound from '../../page/sound.js';
import { HEARD, Taps, nameOf, notJudged, row, show, valueOf } from '../../lib/taps.js';

const EVERY_MS = 5_000;
const SHAPES = { good: 'normal', notice: 'notice', caution: 'caution' };
const RANK = { caution: 0, notice: 1, good: 2 };
const CLOCKS_APART_S = 10;

const taps = new Taps();
const rest = new Rest();
let tapping = false;
let health = null;
let timer = null;

async function load() {
  clearTimeout(timer);
  if (current() !== 'kit') return;
  try {
    health = await read('health');
    health.skew_s = (health.facts.now_ms - Date.now()) / 1000;
    fault('');
  } catch (error) {
    fault(say('kit.fault', { why: error.message }));
  }
  clearTimeout(timer);
  timer = setTimeout(load, EVERY_MS);
  if (health) render();
}

function fault(words) {
  byId('kit-fault').hidden = words === '';
  text(byId('kit-fault'), words);
}

// What the page itself knows beside what the dashboard found.
function own() {
  const found = [];
  const broker = get('broker');
  const presence = get('presence');
  if (broker) found.push(broker.connected ? { part: 'broker', state: 'good', key: 'broker_good', values: {} } : { part: 'broker', state: 'caution', key: 'broker_away', values: {} });
  if (broker?.connected && !presence?.online) found.push({ part: 'program', state: 'caution', key: 'program_away', values: {} });
  if (Math.abs(health.skew_s) > CLOCKS_APART_S) found.push({ part: 'device', state: 'notice', key: 'device_clock', values: { s: Math.round(Math.abs(health.skew_s)), way: say(health.skew_s > 0 ? 'kit.behind' : 'kit.ahead') } });
  return found;
}

function spoken(values) {
  const words = { ...values };
  for (const [name, value] of Object.entries(values)) {
    if (name.endsWith('_ms')) words[name] = clock(value);
    else if (name.endsWith('_t')) words[name] = value === null ? '–' : day(value * 1000);
    else if (name === 'age_s') words[name] = age(value);
  }
  return words;
}

function check({ part, state, key, values }) {
  const known = spoken(values);
  const what = has(`kit.${key}_do`) ? make('p', { class: 'check-do' }, say(`kit.${key}_do`, known)) : '';
  return make(
    'li', { class: 'check', 'data-part': part, 'data-state': state, 'data-key': key },
    shape(SHAPES[state]),
    make('div', {}, make('p', { class: 'check-part' }, say(`kit.part_${part}`), ': ', make('span', { class: 'check-state' }, say(`kit.state_${state}`))), make('p', {}, say(`kit.${key}`, known)), what),
  );
}

function render() {
  const checks = [...health.checks, ...own()].sort((a, b) => RANK[a.state] - RANK[b.state]);
  const wrong = checks.filter((one) => one.state !== 'good').length;
  const alerts = open().length;
  text(byId('kit-summary'), wrong ? say('kit.some_wrong', { n: wrong }) : alerts ? say('kit.alerts_open', { n: alerts }) : say('kit.all_good'));
  const next = checks.map(check);
  const list = byId('kit-checks');
  const shown = next.map((one) => one.textContent).join('\n');
  if (list.dataset.shown !== shown) {
    list.dataset.shown = shown;
    list.replaceChildren(...next);
  }
  facts();
}

// The learned lag is only told; it is used once somebody sets it.
function lag(told) {
  if (!told) return null;
  const known = { set: plain(told.set_s), passes: told.passes, steps: told.steps };
  if (told.learned_s === null) return say('kit.lag_set', known);
  return say('kit.lag_learned', { ...known, s: fixed(told.learned_s, 1), u: told.u_s === null ? '–' : fixed(told.u_s, 1) });
}

function facts() {
  const { facts: known } = health;
  const kit = get('kit');
  const rows = [
    ['fact_machine', kit?.machine], ['fact_version', known.version],
    ['fact_run', known.run === null || known.run === undefined ? null : say('kit.run', { run: known.run, time: moment(known.run_started_ms, true) })],
    ['fact_store', known.store], ['fact_size', known.store_mb === undefined ? null : say('kit.mb', { mb: plain(known.store_mb) })],
    ['fact_since', known.oldest_t ? moment(known.oldest_t * 1000, true) : null],
    ['fact_records', known.records === undefined ? null : String(known.records)],
    ['fact_lag', lag(get('live')?.lag)],
    ['fact_typing', kit ? say(kit.passenger_enters ? 'kit.typing_passenger' : 'kit.typing_standing') : null],
    ['fact_key', known.fingerprint ?? say('kit.no_key')],
  ].filter(([, value]) => value);
  byId('kit-facts').replaceChildren(...rows.map(([name, value]) => make('div', { 'data-fact': name }, make('dt', {}, say(`kit.${name}`)), make('dd', {}, value))));
}

// ---- inputs

function signs(told, fresh, problem) {
  const lost = problem !== null || told.age_s === null || told.age_s > FRESH_S;
  text(byId('inputs-said'), problem ? problem.message : lost ? say('morning.no_counts') : say(tapping ? 'kit.tapping' : 'kit.inputs_how'));
  if (problem) return;
  const state = lost ? 'rests' : rest.hear(told, fresh);
  const judges = tapping && state === 'rests';
  notJudged(byId('kit-rest'), tapping && state !== 'rests' ? say(`morning.${state}`) : '');
  if (judges && !lost) taps.take(fresh);
  else taps.pause();
  const alerted = new Set(open().filter(([, alert]) => alert.rule.startsWith('input-') && !hasEnded(alert)).map(([, alert]) => alert.object));
  for (const input of told.inputs) {
    const one = row(byId('kit-inputs'), input.at, say('kit.input', { at: input.at, name: nameOf(input) }));
    const wrong = lost || ['missing', 'no counts'].includes(input.life) || (!judges && alerted.has(String(input.at)));
    const n = taps.of(input.at);
    const before = one.dataset.taps;
    const words = lost ? say('inputs.life_no_counts') : judges ? say('kit.tapped', { value: valueOf(input), n }) : valueOf(input);
    show(one, wrong ? 'caution' : judges ? (n >= HEARD ? 'good' : 'waiting') : 'good', words);
    mark(one, 'data-taps', judges ? n : null);
    if (judges && n >= HEARD && Number(before ?? 0) < HEARD) text(byId('kit-tapped'), say('kit.tapped_spoken', { name: nameOf(input), n }));
  }
  for (const level of told.levels) {
    const one = row(byId('kit-levels'), level.means, say(`inputs.${level.means.replace(' ', '_')}`));
    show(one, level.on === null || lost ? 'caution' : 'good', say(lost || level.on === null ? 'inputs.unknown' : level.means === 'front down' ? (level.on ? 'inputs.down' : 'inputs.up') : level.on ? 'inputs.on' : 'inputs.off'));
  }
}

function turnTap() {
  tapping = !tapping;
  taps.again();
  mark(byId('kit-tap'), 'aria-pressed', String(tapping));
  text(byId('kit-tap'), say(tapping ? 'kit.tap_end' : 'kit.tap'));
}

export function start() {
  byId('kit-tap').addEventListener('click', turnTap);
  for (const button of document.querySelectorAll('[data-sound]')) button.addEventListener('click', () => sound.play(button.dataset.sound));
  onShow('kit', load);
  whileShown('kit', signs);
  for (const topic of ['broker', 'presence', 'alert']) on(topic, () => health && current() === 'kit' && render());
}
