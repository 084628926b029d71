// The screen "Sieves": gauge checks, what they say, and the readout to dial for a wanted gap. All reckoning is the kit's.
import * as asks from '../../page/asks.js';
import { byId, make, mark, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { clock, fixed, moment, plain, say } from '../../lib/format.js';
import { apply } from '../../page/moving.js';
import { current, onShow } from '../../page/navigation.js';
import * as rails from './rails.js';
import { read, typed } from '../../lib/read.js';
import * as preview from '../../entries/preview.js';
import * as takeback from '../../entries/takeback.js';

const PLACES = [1, 2, 3, 4, 5, 6];
const AFTER_TYPING_MS = 350;
const STEP_MM = 0.5;
const MOST_MM = 60;
const MOST_GAP_MM = 200;
const MOST_READOUT = 1000;
const FIRST_WANT = { pre: 6, top: 16, bottom: 14 };

let known = null;
let chosen = 'top';
let unit = 'mm';
let want = { ...FIRST_WANT };
let dialled = null; // the newest answer of the dial
let trialTimer = null;
let dialTimer = null;
let asked = 0;

const sieve = () => known?.sieves.find((one) => one.sieve === chosen) ?? null;
const signed = (value) => `${value >= 0 ? '+' : '−'}${fixed(Math.abs(value), 1)}`;
const inUnit = (value, of) => `${plain(value)} ${say(`sieves.in_${of}`)}`;

async function load() {
  try {
    known = await read('sieves');
    fault('');
  } catch (error) {
    fault(say('sieves.fault', { why: error.message }));
    return;
  }
  render();
}

function fault(words) {
  byId('sieves-fault').hidden = words === '';
  text(byId('sieves-fault'), words);
}

function choice() {
  const names = known.sieves.map((one) => one.sieve);
  const host = byId('sieve-choice');
  if (!names.includes(chosen)) chosen = names[0];
  if (host.dataset.built !== names.join()) {
    host.dataset.built = names.join();
    host.replaceChildren(...names.map((name) => make('button', { type: 'button', 'data-sieve': name, onclick: () => choose(name) }, say(`sieves.${name}`))));
  }
  for (const button of host.children) mark(button, 'aria-pressed', String(button.dataset.sieve === chosen));
  for (const one of document.querySelectorAll('#screen-sieves .of-sieve')) text(one, say(`sieves.of_${chosen}`));
}

function choose(name) {
  chosen = name;
  byId('gauge-form').reset();
  rails.clear(byId('gauge-rails'));
  rails.clear(byId('dial-rails'));
  render();
}

function list(host, words) {
  host.replaceChildren(...words.map((one) => make('li', {}, one)));
}

function renderKnown(one) {
  const check = one.check;
  const set = one.set_to === null ? say('sieves.set_never') : say(one.gap_mm === null ? 'sieves.set' : 'sieves.set_gap', { to: plain(one.set_to), gap: fixed(one.gap_mm, 1) });
  let line = say('sieves.no_check');
  if (check && !check.believed) line = say('sieves.model_doubted');
  else if (check && check.offset_mm === null) line = say('sieves.model_none', { unit: say(`sieves.in_${check.unit}`) });
  else if (check && check.unit === 'mm' && check.gain === 1) line = say('sieves.model_offset', { offset: signed(check.offset_mm) });
  else if (check) line = say('sieves.model_line', { offset: fixed(check.offset_mm, 1), gain: signed(check.gain), unit: say(`sieves.in_${check.unit}`) });
  if (check && check.spread_mm !== null) line += ` ${say('sieves.spread', { spread: fixed(check.spread_mm, 1) })}`;
  text(byId('known-line'), `${line} ${set}`);
  list(byId('known-minds'), check?.warnings ?? []);
  byId('known-checks').replaceChildren(...one.checks.map(pastCheck));
}

function pastCheck(past) {
  const words = say('sieves.past', { readout: inUnit(past.readout, past.unit), gaps: past.measured_mm.map((gap) => plain(gap)).join(', ') });
  const back = past.struck ? '' : takeback.button(past.seq, 'gauge', `${say('sieves.told_gauge', { sieve: say(`sieves.of_${chosen}`) })}, ${words}`);
  return make('li', { class: 'past-check', 'data-struck': past.struck ? 'yes' : null }, make('p', {}, make('span', { class: 'past-time' }, when(past.at)), ' ', ...takeback.struckParts(words, past.struck)), back);
}

function when(epochS) {
  const today = new Date(epochS * 1000).toDateString() === new Date().toDateString();
  return today ? clock(epochS * 1000) : moment(epochS * 1000, true);
}

function render() {
  if (!known) return;
  choice();
  const one = sieve();
  if (!one) return;
  renderKnown(one);
  if (one.check && document.activeElement?.closest('#gauge-form') === null) chooseUnit(one.check.unit);
  dialSoon(0);
  entering();
}

// ---- a gauge check

function gaps() {
  return PLACES.map((n) => byId(`gap-${n}`)).map(typed).filter((value) => !Number.isNaN(value));
}

function gaugeEntry() {
  const measured = gaps();
  const readout = typed(byId('gauge-readout'));
  const opened = typed(byId('gauge-opened'));
  if (Number.isNaN(readout) || measured.length === 0) return null;
  const reading = unit === 'mm' ? { readout_mm: readout } : { readout, unit };
  const note = rails.note(byId('gauge-rails'));
  return {
    entry: 'gauge', sieve: chosen, ...reading, measured_mm: measured.length === 1 ? measured[0] : measured,
    ...(Number.isNaN(opened) ? {} : { opened_to_mm: opened }), ...(note ? { note } : {}),
  };
}

function chooseUnit(name) {
  unit = name;
  for (const button of document.querySelectorAll('[data-readout-unit]')) mark(button, 'aria-pressed', String(button.dataset.readoutUnit === unit));
}

function trySoon() {
  clearTimeout(trialTimer);
  trialTimer = setTimeout(tryCheck, AFTER_TYPING_MS);
}

async function tryCheck() {
  const entry = gaugeEntry();
  const number = ++asked;
  if (!entry) {
    text(byId('gauge-preview'), '');
    rails.clear(byId('gauge-rails'));
    return;
  }
  const wrong = outOfRange();
  if (wrong) {
    text(byId('gauge-preview'), say(wrong));
    return;
  }
  let found;
  try {
    found = await read('sieves/trial', { entry: JSON.stringify(entry) });
  } catch (error) {
    if (number === asked) text(byId('gauge-preview'), error.message);
    return;
  }
  if (number !== asked) return;
  const { offset_mm: offset, spread_mm: spread, believed, warnings } = found.gauge;
  const said = offset === null || !believed ? [] : [say('sieves.would', { offset: signed(offset) })];
  if (spread !== null) said.push(say('sieves.spread', { spread: fixed(spread, 1) }));
  text(byId('gauge-preview'), [...said, ...warnings].join(' · '));
  rails.show(byId('gauge-rails'), found, trySoon);
}

// What the kit would refuse, said in the page's words before anything is sent.
function outOfRange() {
  const within = (field, most) => field.value.trim() === '' || (typed(field) >= 0 && typed(field) <= most);
  if (!within(byId('gauge-readout'), MOST_READOUT)) return 'sieves.readout_range';
  return [...PLACES.map((n) => byId(`gap-${n}`)), byId('gauge-opened')].every((field) => within(field, MOST_GAP_MM)) ? null : 'sieves.gap_range';
}

function keep(event) {
  event.preventDefault();
  const entry = gaugeEntry();
  if (!entry) {
    text(byId('gauge-preview'), say('sieves.incomplete'));
    return;
  }
  const wrong = outOfRange();
  if (wrong) {
    text(byId('gauge-preview'), say(wrong));
    return;
  }
  asks.tell(entry, say('sieves.told_gauge', { sieve: say(`sieves.of_${chosen}`) }));
}

// ---- the dial

function step(by) {
  want[chosen] = Math.min(MOST_MM, Math.max(0, want[chosen] + by));
  rails.clear(byId('dial-rails'));
  dialled = null; // a touch before the answer must not enter the value of before
  entering();
  dialSoon(200);
}

function dialSoon(ms) {
  text(byId('want'), fixed(want[chosen], 1));
  clearTimeout(dialTimer);
  dialTimer = setTimeout(dial, ms);
}

function dialEntry() {
  if (!dialled || dialled.to === null) return null;
  const one = sieve();
  const note = rails.note(byId('dial-rails'));
  const was = one.set_to === null ? {} : { from: one.set_to };
  return { entry: 'setting', what: one.what, ...was, to: dialled.to, ...(note ? { note } : {}) };
}

async function dial() {
  const of = chosen;
  const wanted = want[of];
  try {
    const found = await read('sieves/dial', { sieve: of, want_mm: String(wanted) });
    if (of !== chosen || wanted !== want[of]) return;
    dialled = found;
    text(byId('dial-said'), dialSaid(found, wanted));
    list(byId('dial-minds'), found.warnings);
    const entry = dialEntry();
    if (entry) rails.show(byId('dial-rails'), await read('sieves/trial', { entry: JSON.stringify(entry) }), () => dialSoon(AFTER_TYPING_MS));
  } catch (error) {
    dialled = null;
    text(byId('dial-said'), error.message);
    list(byId('dial-minds'), []);
  }
  entering();
}

// A readout is told as it can be set; where that leaves another gap than the wanted one, the gap is told.
function dialSaid(found, wanted) {
  if (found.dial === null) {
    if (found.known) return say('sieves.dial_beyond', { want: fixed(wanted, 1) });
    return say(sieve()?.check && !sieve().check.believed ? 'sieves.dial_doubted' : 'sieves.dial_none');
  }
  return say('sieves.dial_said', { dial: inUnit(found.dial, found.unit), want: fixed(found.gap_mm, 1) });
}

function enterDial() {
  const entry = dialEntry();
  if (entry) asks.tell(entry, say('sieves.told_dial', { sieve: say(`sieves.of_${chosen}`), to: inUnit(dialled.dial, dialled.unit) }), (other) => other.entry === 'setting' && other.what === entry.what);
}

function entering() {
  const button = byId('dial-enter');
  const entry = dialEntry();
  const is = entry !== null && sieve().set_to === entry.to;
  button.disabled = !entry || is || !(get('entering')?.allowed ?? false);
  text(button, is ? say('sieves.dial_is', { to: inUnit(dialled.dial, dialled.unit) }) : entry ? say('sieves.dial_enter', { to: inUnit(dialled.dial, dialled.unit) }) : say('sieves.dial_enter_none'));
}

export function start() {
  byId('gaps').replaceChildren(...PLACES.map((n) => make(
    'label', { class: 'gap' }, make('span', {}, String(n)), make('input', { id: `gap-${n}`, inputmode: 'decimal', autocomplete: 'off', 'aria-label': say('sieves.place', { n }) }),
  )));
  byId('gauge-form').addEventListener('submit', keep);
  byId('gauge-form').addEventListener('input', trySoon);
  preview.watch(byId('gauge-form'), byId('gauge-would'), () => (outOfRange() ? null : gaugeEntry()));
  for (const button of document.querySelectorAll('[data-readout-unit]')) {
    button.addEventListener('click', () => {
      chooseUnit(button.dataset.readoutUnit);
      trySoon();
    });
  }
  byId('want-less').addEventListener('click', () => step(-STEP_MM));
  byId('want-more').addEventListener('click', () => step(STEP_MM));
  byId('dial-enter').addEventListener('click', enterDial);
  apply(byId('screen-sieves'));
  onShow('sieves', load);
  on('entering', entering);
  on('kit', () => current() === 'sieves' && load()); // the dashboard has come back
  on('entry', (entry) => ['gauge', 'setting', 'crop', 'strike_out'].includes(entry?.entry) && current() === 'sieves' && load());
  asks.onAnswer((entry, answer) => {
    if (!answer?.ok || !['gauge', 'setting', 'strike_out'].includes(entry.entry)) return;
    if (entry.entry === 'gauge' && entry.sieve === chosen) {
      byId('gauge-form').reset();
      rails.clear(byId('gauge-rails'));
      text(byId('gauge-preview'), '');
    }
    if (current() === 'sieves') load();
  });
}
