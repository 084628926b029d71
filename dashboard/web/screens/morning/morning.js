// The screen "Morning": the two minutes before the first load, with the kit's live signs beside each step.
import * as asks from '../../page/asks.js';
import { FRESH_S, whileShown } from '../../page/counting.js';
import { byId, make, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { age, amount, fixed, say } from '../../lib/format.js';
import { nowS } from '../../lib/kitclock.js';
import * as machine from '../../page/machine.js';
import { current, onShow } from '../../page/navigation.js';
import { read } from '../../lib/read.js';
import { Rest } from '../../lib/rest.js';
import { HEARD, Taps, nameOf, notJudged, row, show } from '../../lib/taps.js';
import { shown, unit } from '../../lib/units.js';

const ZERO_S = 30;
const BEAM_NEAR_PCT = 5;

const taps = new Taps();
const rest = new Rest();
let facts = null;
let heard = new Set(); // inputs that a tap has reached
let wasReady = false;
let zeroTold = ''; // what the kit answered to the last zero
let threshingS = 0; // seconds on end with threshing on, standing still or nearly so

let asked = 0;

async function load() {
  const mine = ++asked; // of two entries in a row the first one's answer may come last
  try {
    const told = await read('morning');
    if (mine !== asked) return;
    facts = told;
    line('');
  } catch (error) {
    if (mine === asked) line(say('morning.fault', { why: error.message }));
    return;
  }
  render();
}

function line(words) {
  byId('morning-line').hidden = words === '';
  text(byId('morning-line'), words);
}

function ago(epochS) {
  return epochS === null ? say('morning.never') : say('morning.ago', { age: age(nowS() - epochS) });
}

function render() {
  text(byId('zero-last'), `${say('morning.zero_last', { ago: ago(facts.last.zero) })} ${zeroTold}`.trim());
  text(byId('gauge-last'), say('morning.gauge_last', { ago: ago(facts.last.gauge) }));
  byId('good').replaceChildren(...(facts.good.length ? facts.good.map(page) : [make('p', {}, say('morning.good_none'))]));
  entering();
}

// Told once each, whatever counts up beside it.
function speak(words) {
  text(byId('morning-spoken'), words);
}

// ---- live signs

function signs(told, fresh, fault) {
  if (fault || told.age_s === null || told.age_s > FRESH_S) {
    line(fault ? say('morning.fault', { why: fault.message }) : say('morning.no_counts'));
    threshingS = 0;
    zero();
    return;
  }
  line('');
  sensors(told, fresh);
  const on_ = told.levels.find((one) => one.means === 'threshing on');
  for (const second of fresh) {
    const quiet = second.ms > 0 && ['idle', 'turning'].includes(second.state) && (on_ === undefined || on_.on === true);
    threshingS = quiet ? threshingS + 1 : 0;
  }
  zero(on_);
}

// Steps 1 and 2, for a machine at rest. What was heard before it ran stays ticked.
function sensors(told, fresh) {
  const state = rest.hear(told, fresh);
  const words = state === 'rests' ? '' : say(`morning.${state}`);
  for (const id of ['tap-rest', 'beam-rest']) notJudged(byId(id), words);
  if (state === 'rests') taps.take(fresh);
  else taps.pause();
  for (const input of told.inputs.filter((one) => one.reads === 'loss')) {
    const n = taps.of(input.at);
    if (n >= HEARD && !heard.has(input.at)) {
      heard.add(input.at);
      speak(say('kit.tapped_spoken', { name: nameOf(input), n }));
    }
    const missing = input.life === 'missing';
    const key = n >= HEARD ? 'heard' : state !== 'rests' ? 'not_now' : n ? 'few' : 'waiting';
    show(row(byId('taps'), input.at, nameOf(input)), missing ? 'caution' : n >= HEARD ? 'good' : 'waiting', missing ? say('inputs.life_missing') : say(`morning.${key}`, { n }));
  }
  const beam = told.inputs.find((one) => one.reads === 'beam');
  byId('beam-card').hidden = !beam;
  if (beam) beamSign(beam, state);
}

function beamSign(beam, state) {
  const one = row(byId('beam'), beam.at, nameOf(beam));
  if (state !== 'rests') return show(one, 'waiting', say('morning.not_now'));
  if (beam.value === null) return show(one, 'caution', say('inputs.life_missing'));
  const clean = beam.value <= beam.empty_pct + BEAM_NEAR_PCT;
  return show(one, clean ? 'good' : 'caution', say(clean ? 'morning.beam_clean' : 'morning.beam_dirty', { pct: fixed(beam.value, 0), empty: fixed(beam.empty_pct, 0) }));
}

function zero(level) {
  const ready = threshingS >= ZERO_S;
  const button = byId('zero');
  button.disabled = !ready || !(get('entering')?.allowed ?? false);
  const key = ready ? 'zero_ready' : threshingS > 0 ? 'zero_running' : level?.on === false ? 'zero_off' : 'zero_waiting';
  text(byId('zero-said'), say(`morning.${key}`, { s: threshingS, of: ZERO_S }));
  if (ready && !wasReady) speak(say('morning.zero_ready', { s: threshingS }));
  wasReady = ready;
}

function enterZero() {
  const seconds = Math.min(threshingS - 2, 120);
  asks.tell({ entry: 'idle_run', seconds }, say('morning.told_zero', { s: seconds }), (other) => other.entry === 'idle_run');
  threshingS = 0;
  byId('zero').disabled = true;
}

// ---- last good settings, offered

function page(good) {
  const names = Object.keys(good.settings);
  const rows = names.map((what) => {
    const now = facts.settings[what];
    const words = now === undefined ? say('morning.good_line', { what: machine.nameOf(what), to: machine.withUnit(what, good.settings[what]) })
      : say(now === good.settings[what] ? 'morning.good_same' : 'morning.good_line_now', { what: machine.nameOf(what), to: machine.withUnit(what, good.settings[what]), now: machine.figure(what, now) });
    return make('li', {}, words);
  });
  const other = names.filter((what) => facts.settings[what] !== good.settings[what]);
  const { present } = facts;
  // What gives as little now needs no way back: the button stays, as one among others.
  const better = present.loss_kg_ha !== null && present.loss_kg_ha <= good.loss_kg_ha && present.verdict !== 'worse';
  const enter = other.length
    ? make('button', { type: 'button', class: better ? 'plain wide' : 'strong wide', 'data-good': good.crop, onclick: () => offer(good, other) }, say('morning.good_enter', { n: other.length }))
    : make('p', { class: 'small-print' }, say('morning.good_in_force'));
  return make(
    'section', { class: 'good', 'aria-label': good.crop },
    make('h3', {}, say('morning.good_of', { crop: good.crop, ago: ago(good.at_s) })),
    make('p', { class: 'small-print' }, say('morning.good_gave', { loss: amount(shown(good.loss_kg_ha, 'kg/ha')), unit: unit('kg/ha') })),
    make('ul', { class: 'past' }, ...rows),
    better && other.length ? make('p', {}, say('morning.good_present', { loss: amount(shown(present.loss_kg_ha, 'kg/ha')), unit: unit('kg/ha'), n: fixed(present.minutes, 0) })) : '',
    enter,
  );
}

function offer(good, names) {
  for (const what of names) {
    const was = facts.settings[what] === undefined ? {} : { from: facts.settings[what] };
    asks.tell({ entry: 'setting', what, ...was, to: good.settings[what] }, say('morning.told_good', { what: machine.nameOf(what), to: machine.withUnit(what, good.settings[what]) }));
  }
  entering();
}

function entering() {
  const allowed = get('entering')?.allowed ?? false;
  for (const button of document.querySelectorAll('#good [data-good]')) button.disabled = !allowed || asks.isWaiting((entry) => entry.entry === 'setting');
}

export function start() {
  byId('tap-again').addEventListener('click', () => {
    taps.again();
    heard = new Set();
    byId('taps').replaceChildren();
  });
  byId('zero').addEventListener('click', enterZero);
  onShow('morning', load);
  whileShown('morning', signs);
  on('entering', entering);
  on('kit', () => current() === 'morning' && load()); // the dashboard has come back
  on('entry', (entry) => entry && current() === 'morning' && load());
  asks.onAnswer((entry, answer) => {
    if (answer?.ok && entry.entry === 'idle_run') {
      const words = answer.note ? say('morning.zero_unused', { why: answer.note }) : say('morning.zero_kept');
      zeroTold = words;
      speak(words);
    }
    if (answer?.ok && current() === 'morning') load();
    else entering();
  });
}
