// The steppers: present value between two large buttons. Stepping enters nothing; a panel then says what would be entered,
// with its caution, and warns when the last change is not judged yet.
import * as asks from '../../page/asks.js';
import { byId, make, mark, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { field, read } from '../../lib/fields.js';
import { age, say } from '../../lib/format.js';
import { inForce, onInForce } from '../../page/inforce.js';
import { nowS } from '../../lib/kitclock.js';
import * as machine from '../../page/machine.js';
import { apply } from '../../page/moving.js';
import { sure } from '../../lib/sure.js';
import { entryOf, inWords, lastChange } from './settingchange.js';
import { startFrom } from './toandfro.js';
import { isOpen } from './verdict.js';

const HOLD_MS = 500;
const REPEAT_MS = 160;
const MOST_REPEATS = 30; // a finger's end that gets lost must not run away

let pending = null; // {what, from, entered, to, was}: what is being stepped now; `was`: what it stood at, told where nothing is known
let held = null;
let repeated = false;
let built = '';

const mayEnter = () => get('entering')?.allowed ?? false;

function row(what) {
  const name = machine.nameOf(what);
  const button = (way, shape, label) => make('button', { type: 'button', class: 'step', 'data-way': way, 'aria-label': say(label, { name }) }, shape);
  return make(
    'div',
    { class: 'stepper', 'data-what': what, role: 'group', 'aria-label': name },
    make('h3', {}, name),
    make('p', { class: 'stepper-now more' }),
    make('div', { class: 'stepper-row' },
      button(-1, '−', 'change.less_of'),
      make('output', { class: 'stepper-value', 'aria-live': 'off' }, make('span', { class: 'number' }), ' ', make('span', { class: 'unit' })),
      button(1, '+', 'change.more_of')),
    make('p', { class: 'spoken', 'aria-live': 'polite' }),
    make('div', { class: 'pending', hidden: true }),
  );
}

function build() {
  const wanted = machine.settings();
  const key = `${wanted.join()} ${machine.unitOf('speed_kmh')} ${machine.nameOf('rotor_rpm')}`;
  if (built === key) return;
  built = key;
  byId('steppers-list').replaceChildren(...wanted.map(row));
}

// A change of another setting that is still waiting for its verdict.
function waitsFor(what) {
  const last = lastChange();
  return last && last.what !== what && isOpen(last) ? last : null;
}

// Brings a value up as if it had been stepped to; nothing is entered.
export function bring(what, to) {
  const now = machine.present(what);
  pending = { what, from: now.value, entered: now.entered, to };
  render();
  byId('steppers-list').querySelector(`[data-what="${what}"]`)?.scrollIntoView({ block: 'center' });
  byId('steppers-list').querySelector(`[data-what="${what}"] .strong`)?.focus({ preventScroll: true });
}

// "I changed it": then what it stood at before must be told.
function askWas() {
  pending = { ...pending, was: pending.to };
  render();
}

function stepWas(way, leap) {
  pending = { ...pending, was: machine.stepped(pending.what, pending.was, way, leap) };
  render();
}

// Where nothing is known the first touch brings up a guess, marked as one: it can't be entered as it is.
function step(what, way, leap = false) {
  if (pending?.what !== what) {
    const now = machine.present(what);
    pending = { what, from: now.value, entered: now.entered, to: now.value };
  }
  const guessed = pending.to === null;
  pending = { ...pending, to: guessed ? machine.guess(what) : machine.stepped(what, pending.to, way, leap), guess: guessed };
  render();
}

// What nobody knows may be typed where typing is allowed; the field stays as it is under the fingers.
function type(card, input) {
  const value = read(input);
  if (!Number.isFinite(value)) return;
  pending = asksWas(pending) ? { ...pending, was: value } : { ...pending, to: value, guess: false };
  const box = card.querySelector('.pending');
  box.dataset.shown = key(pending);
  text(box.querySelector('.pending-words'), words(pending));
  for (const name of ['enter', 'changed']) {
    const button = box.querySelector(`[data-act="${name}"]`);
    if (!button) continue;
    button.disabled = isOff(pending);
    text(button, enterWord(pending, name));
  }
  text(card.querySelector('.number'), machine.figure(pending.what, pending.to));
}

// Another device may have entered this setting meanwhile: what stands in the record is what the step starts from.
function meet() {
  if (!pending) return;
  const now = machine.present(pending.what);
  if (!now.entered || now.value === pending.from) return;
  pending = { what: pending.what, to: pending.to, from: now.value, entered: true, moved: true };
}

function leave() {
  pending = null;
  render();
}

function enter(toAndFro) {
  const { what, to } = pending;
  const from = fromOf(pending);
  const id = asks.tell(entryOf(what, from, to), inWords(what, null, from, to));
  if (toAndFro) startFrom(what, from, to, id);
  leave();
}

// Where nothing is known: the first that is told of a setting is where it stands, unless it was changed from something.
const isUnknown = (one) => one.from === null;
const asksWas = (one) => isUnknown(one) && one.was !== undefined;
const isFirst = (one) => isUnknown(one) && !asksWas(one);
const fromOf = (one) => one.from ?? one.was ?? null;
const isSame = (one) => machine.figure(one.what, fromOf(one)) === machine.figure(one.what, one.to);
const isOff = (one) => !mayEnter() || Boolean(one.guess) || (asksWas(one) && isSame(one));
// Filling in where things stand is no change that could blur another one's verdict.
const openFor = (one) => (isFirst(one) ? null : waitsFor(one.what));
const key = (one) => JSON.stringify([one, openFor(one)?.seq ?? null, mayEnter()]);
const inFigures = (one) => ({ name: machine.nameOf(one.what), from: machine.figure(one.what, fromOf(one)), to: machine.withUnit(one.what, one.to) });

function words(one) {
  return say(one.guess ? 'change.pending_guess' : asksWas(one) ? 'change.pending_was' : isFirst(one) ? 'change.pending_first' : 'change.pending', inFigures(one));
}

const enterWord = (one, name) => say(name === 'changed' ? 'change.enter_changed' : asksWas(one) ? 'change.enter_from' : isFirst(one) ? 'change.enter_first' : 'change.enter', inFigures(one));

// Far from a guess it takes leaps, or a number typed at a stand.
function unknownParts(one) {
  const name = machine.nameOf(one.what);
  const by = machine.leapOf(one.what);
  const button = (way, leap) => make('button', {
    type: 'button', 'data-act': `${leap ? 'leap' : 'was'}${way}`, 'aria-label': say(way < 0 ? 'change.leap_less' : 'change.leap_more', { name, leap: leap ? by : '' }),
    onclick: () => (asksWas(one) ? stepWas(way, leap) : step(one.what, way, true)),
  }, `${way < 0 ? '−' : '+'}${leap ? by : ''}`);
  const row = asksWas(one)
    ? [button(-1, true), button(-1), make('output', { class: 'was', 'aria-live': 'polite' }, machine.withUnit(one.what, one.was)), button(1), button(1, true)]
    : [button(-1, true), button(1, true)];
  return [
    make('div', { class: 'buttons leaps' }, ...row),
    make('p', { class: 'fault', 'data-typed-why': true, hidden: true }),
    make('fieldset', { 'data-typed': true }, make('legend', { class: 'spoken' }, say('change.type_it')),
      field({ id: 'pending-typed', label: say('change.type_it'), si: machine.siOf(one.what), least: machine.leastOf(one.what), most: machine.MOST })),
  ];
}

function panel(one) {
  const first = isFirst(one);
  const open = openFor(one);
  const off = isOff(one);
  const parts = [make('p', { class: 'pending-words', 'data-guess': one.guess ? 'yes' : null }, words(one))];
  if (one.moved) parts.push(make('p', { class: 'pending-moved', role: 'status' }, say('change.moved_meanwhile', { from: machine.withUnit(one.what, one.from) })));
  const caution = machine.isHands(one.what) ? 'change.hands' : first ? '' : 'change.cab';
  if (caution) parts.push(make('p', { class: 'pending-caution' }, say(caution)));
  if (isUnknown(one)) parts.push(...unknownParts(one));
  if (open) {
    const change = inWords(open.what, open.name, open.from, open.to);
    const since = age(nowS() - open.at);
    parts.push(make('p', { class: 'pending-warning', role: 'alert' }, say('change.second', { change, age: since, name: machine.nameOf(open.what, open.name) })));
  }
  const word = open ? say('change.anyway') : enterWord(one, 'enter');
  const buttons = [
    make('button', { type: 'button', class: open ? 'plain' : 'strong', 'data-act': 'enter', disabled: off, onclick: () => enter(false) }, word),
    make('button', { type: 'button', class: 'plain', 'data-act': 'leave', onclick: leave }, say('change.leave')),
  ];
  if (first) buttons.splice(1, 0, make('button', { type: 'button', class: 'strong', 'data-act': 'changed', disabled: off, onclick: askWas }, enterWord(one, 'changed')));
  if (!first && !open) buttons.splice(1, 0, make('button', { type: 'button', class: 'plain', 'data-act': 'fro', disabled: off, onclick: () => enter(true) }, say('change.fro')));
  return [...parts, make('div', { class: 'buttons' }, ...buttons)];
}

function source(what, now) {
  if (now.value === null) return say('change.unknown');
  if (!now.entered) return say('change.measured');
  const last = (inForce()?.changes ?? []).filter((one) => one.what === what).at(-1);
  return last ? say('change.entered_ago', { age: age(nowS() - last.at) }) : say('change.entered');
}

function renderRow(card) {
  const { what } = card.dataset;
  const now = machine.present(what);
  const mine = pending?.what === what && (isUnknown(pending) || machine.figure(what, pending.to) !== machine.figure(what, pending.from)) ? pending : null;
  mark(card, 'data-pending', mine ? 'yes' : null);
  text(card.querySelector('.number'), machine.figure(what, pending?.what === what ? pending.to : now.value));
  text(card.querySelector('.unit'), machine.unitOf(what));
  const known = source(what, now);
  // A sieve's value here is what its readout says; its gap stands on the screen Sieves.
  text(card.querySelector('.stepper-now'), what.endsWith('_sieve_mm') && now.value !== null ? say('change.readout', { source: known }) : known);
  const box = card.querySelector('.pending');
  box.hidden = !mine;
  const next = mine ? key(mine) : '';
  if (box.dataset.shown === next) return; // a button under a finger stays
  const focused = box.contains(document.activeElement) ? document.activeElement.dataset.act : null;
  box.dataset.shown = next;
  box.replaceChildren(...(mine ? panel(mine) : []));
  apply(box);
  if (focused) (box.querySelector(`[data-act="${focused}"]`) ?? card.querySelector('button')).focus();
}

function renderMill() {
  const now = inForce()?.mill ?? null;
  for (const button of byId('mill').children) {
    mark(button, 'aria-pressed', String(button.dataset.mill === now));
    button.disabled = !mayEnter();
  }
}

export function render() {
  if (!get('kit')) return;
  build();
  for (const card of byId('steppers-list').children) renderRow(card);
  renderMill();
}

// The value is spoken when the finger lifts, not with every step on the way.
function letGo() {
  clearTimeout(held);
  held = null;
  if (pending) speak(pending.what);
}

function speak(what) {
  const card = byId('steppers-list').querySelector(`[data-what="${what}"]`);
  if (card) text(card.querySelector('.spoken'), `${machine.nameOf(what)} ${machine.withUnit(what, pending.to)}`);
}

// One touch is one step; a finger that stays goes on stepping.
function hold(what, way) {
  letGo();
  repeated = false;
  let left = MOST_REPEATS;
  const again = () => {
    repeated = true;
    step(what, way);
    left -= 1;
    if (left > 0) held = setTimeout(again, REPEAT_MS);
  };
  held = setTimeout(again, HOLD_MS);
}

export function start() {
  const list = byId('steppers-list');
  const of = (event) => event.target.closest('button[data-way]');
  list.addEventListener('click', (event) => {
    if (!of(event)) return;
    const { what } = of(event).closest('.stepper').dataset;
    // The click that ends a hold is no further step.
    if (!repeated) step(what, Number(of(event).dataset.way));
    repeated = false;
    if (pending) speak(what);
  });
  list.addEventListener('input', (event) => event.target.id === 'pending-typed' && type(event.target.closest('.stepper'), event.target));
  list.addEventListener('pointerdown', (event) => of(event) && hold(of(event).closest('.stepper').dataset.what, Number(of(event).dataset.way)));
  for (const end of ['pointerup', 'pointercancel', 'pointerleave']) document.addEventListener(end, letGo);
  list.addEventListener('contextmenu', (event) => of(event) && event.preventDefault());
  byId('mill').addEventListener('click', (event) => {
    const button = event.target.closest('button');
    const { mill } = button?.dataset ?? {};
    const now = inForce()?.mill ?? null;
    if (mill && mill !== now && sure(button, button, say('job.sure'))) asks.tell(entryOf('mill', now, mill), inWords('mill', null, now, mill), (other) => other.what === 'mill');
  });
  // Back from the kit's doubt: the change stands as it was stepped to.
  asks.onBack((entry) => entry.entry === 'setting' && machine.isStepped(entry.what) && bring(entry.what, entry.to));
  onInForce(() => {
    if (pending && !mayEnter()) pending = null;
    meet();
    render();
  });
  for (const topic of ['kit', 'entering', 'live', 'verdict']) on(topic, render);
}
