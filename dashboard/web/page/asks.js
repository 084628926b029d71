// Entries on their way to the kit. Each has an id of its own, made once, and is kept in the browser until it is answered,
// over a reload, a closed page and a restarted kit: the kit keeps an id once, so asking again can't double it. They go one
// by one, in order; what was typed waits aside until the machine stands, and what the kit doubts until somebody has answered.
import { byId, make, mark, text } from '../lib/dom.js';
import { get, on } from '../lib/facts.js';
import { guarded } from '../lib/faults.js';
import { age, say } from '../lib/format.js';
import * as kept from '../lib/kept.js';
import { typingOff } from './moving.js';
import { again as lookAtPin } from './pin.js';

const KEY = 'tailgrain-ask-';
const ANSWER_MS = 15_000;
const KEPT_SHOWN_MS = 8_000;
const SOON_S = 20; // a doubt this soon after the touch finds the eye still there
const KEPT_LINES = 2; // refusals and notes stay until they are closed
const LONGEST_PAUSE_MS = 8_000;

const PLAUSIBLE_S = 7 * 86_400; // a longer wait is a clock that was set, not a page that waited

let waiting = []; // {id, entry, what, since, before, stored, why, tries, held, doubt}
let shown = [];   // {id, kind: kept|refused, words, stays, offers, seq, what, at}
let busy = false;
let timer = null;
const hearers = [];
const backs = [];
let doubting = { ask: () => {}, gone: () => {} }; // who puts the kit's doubts to the operator
let offered = null; // what a kept line offers for a while
const touched = new Map(); // id -> moment on the clock that never steps

export const onAnswer = (hear) => hearers.push(guarded('asks', hear));
// Somebody went back from a doubt to what was typed: a form that has emptied itself fills itself again.
export const onBack = (hear) => backs.push(guarded('asks', hear));
export const onDoubt = (ask, gone) => { doubting = { ask: guarded('asks', ask), gone: guarded('asks', gone) }; };
// `fits(entry)`: the line of a kept entry stays `lastsMs` and has a button with `word`, which does `act(seq, what)`.
export const onKeptLine = (offer) => { offered = offer; };
export const isWaiting = (match) => waiting.some((one) => match(one.entry));

export function newId() {
  // randomUUID is missing on plain http; this is not.
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return `page-${[...bytes].map((byte) => byte.toString(16).padStart(2, '0')).join('')}`;
}

// One item an entry, so that two open pages don't write over each other; where nothing can be kept, they live as long as
// the page.
function store(one) {
  const { id, entry, what, since, before } = one;
  one.stored = kept.remember(KEY + id, { id, entry, what, since, before });
}

function drop(id) {
  waiting = waiting.filter((one) => one.id !== id);
  touched.delete(id);
  doubting.gone(id);
  try {
    localStorage.removeItem(KEY + id);
  } catch { /* see above */ }
}

const fits = (key) => (one) => kept.isObject(one) && KEY + one.id === key && kept.isObject(one.entry) && typeof one.entry.entry === 'string'
  && typeof one.what === 'string' && Number.isFinite(one.since);

// What lies in the browser, of this page or another one; an item that is no entry is left out, and stays where it is.
function stored() {
  try {
    return Object.keys(localStorage).filter((key) => key.startsWith(KEY)).map((key) => kept.recall(key, fits(key))).filter(Boolean);
  } catch {
    return [];
  }
}

function recall() {
  waiting = stored().sort((a, b) => a.since - b.since).map((one) => ({ ...one, stored: true, why: '', tries: 0, held: null, doubt: null }));
}

// Another page of this browser may have given an entry up, replaced it, or brought it through: then its item is gone.
function isGone(one) {
  try {
    return one.stored && localStorage.getItem(KEY + one.id) === null;
  } catch {
    return false;
  }
}

function heard({ key }) {
  // Everything was cleared from outside: that gives up no entry.
  if (key === null) waiting.forEach(store);
  else if (key.startsWith(KEY) && waiting.some((one) => KEY + one.id === key && isGone(one))) {
    drop(key.slice(KEY.length));
    changed();
  }
}

// How long ago the touch was, by the larger of two clocks: one may stand still in sleep, the other may step, and after a
// reload only the wall clock knows. A wall clock that was set by weeks says nothing.
function waitedS(one) {
  const wall = (Date.now() - one.since) / 1000;
  if (!touched.has(one.id)) return wall;
  const steady = (performance.now() - touched.get(one.id)) / 1000;
  return wall > PLAUSIBLE_S ? steady : Math.max(steady, wall);
}

// Tell the kit. `what`: the entry in words; `replaces(entry)`: waiting entries that this one makes pointless; `before`: what
// is typed in it was typed at a stand, and only a tap sends it now.
export function tell(entry, what, replaces = () => false, before = false) {
  for (const old of [...waiting, ...stored()].filter((one) => replaces(one.entry))) drop(old.id);
  const one = { id: newId(), entry, what, since: Date.now(), before, why: '', tries: 0, held: null, doubt: null };
  touched.set(one.id, performance.now());
  waiting.push(one);
  store(one);
  changed();
  work();
  return one.id;
}

function giveUp(id) {
  drop(id);
  changed();
}

// Whoever answers: the entry as it was said, for good; with what the kit suggests; or not at all, back to where it was typed.
export const meant = (id) => anew(id, { sure: true });
export const corrected = (id, suggest) => anew(id, suggest);

// The same id: nothing was kept, and the kit asks itself anew.
function anew(id, more) {
  const one = waiting.find((other) => other.id === id);
  if (!one) return;
  Object.assign(one, { entry: { ...one.entry, ...more }, held: null, doubt: null, tries: 0 });
  store(one);
  doubting.gone(id);
  changed();
  work();
}

export function goBack(id) {
  const one = waiting.find((other) => other.id === id);
  giveUp(id);
  if (one) backs.forEach((hear) => hear(one.entry, one.id));
}

function close(id) {
  shown = shown.filter((one) => one.id !== id);
  show();
}

async function ask(one) {
  try {
    const answer = await fetch('/ask', {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify({ id: one.id, entry: one.entry, waited_s: waitedS(one), typed_standing: one.before === true }),
      signal: AbortSignal.timeout?.(ANSWER_MS),
    });
    return await answer.json();
  } catch {
    return { ok: false, again: true, why: say('asks.offline') };
  }
}

const FREE = { standing: () => typingOff() === '', pin: () => get('entering')?.allowed ?? false, doubt: () => false };
const isFree = (one) => !one.held || FREE[one.held]();
const next = () => waiting.find((one) => !one.held) ?? waiting.find(isFree);

async function work() {
  const gone = waiting.filter(isGone);
  gone.forEach((one) => drop(one.id));
  if (gone.length) changed();
  const one = next();
  if (busy || !one) return;
  clearTimeout(timer);
  busy = true;
  const answer = await ask(one);
  busy = false;
  if (answer.again) return later(one, answer);
  if (answer.ask_again && waiting.includes(one)) return doubted(one, answer);
  const given = waiting.includes(one); // given up meanwhile: still say what became of it
  drop(one.id);
  tellShown(one, answer);
  if (!answer.ok) lookAtPin();
  changed();
  if (given || answer.ok) hearers.forEach((hear) => hear(one.entry, answer, one.id));
  return work();
}

function doubted(one, { why, suggest = null }) {
  Object.assign(one, { held: 'doubt', doubt: { why, suggest }, tries: 0 });
  changed();
  const soon = touched.has(one.id) && waitedS(one) < SOON_S;
  doubting.ask({ id: one.id, entry: one.entry, what: one.what, why, suggest, soon });
  return work();
}

function later(one, answer) {
  one.why = answer.why;
  one.tries += 1;
  one.held = answer.standing ? 'standing' : answer.pin ? 'pin' : null;
  if (answer.pin) lookAtPin();
  const other = next();
  changed();
  if (other && other !== one) return work();
  timer = setTimeout(work, Math.min(LONGEST_PAUSE_MS, 500 * 2 ** Math.min(one.tries, 6)));
  return undefined;
}

function tellShown(one, answer) {
  if (answer.ok && one.entry.entry === 'strike_out') shown = shown.filter((other) => other.seq !== one.entry.seq);
  const words = answer.ok
    ? say('asks.kept', { seq: answer.seq, what: one.what })
    : say('asks.refused', { what: one.what, why: answer.why });
  const more = [answer.note ? say('asks.note', { note: answer.note }) : '', ...(answer.notices ?? [])].filter(Boolean).join(' ');
  const offers = Boolean(answer.ok && offered?.fits(one.entry));
  const passing = shown.filter((other) => !other.stays);
  shown = [...shown.filter((other) => other.stays || passing.indexOf(other) >= passing.length - KEPT_LINES), {
    id: one.id, kind: answer.ok ? 'kept' : 'refused', words: more ? `${words} ${more}` : words, stays: !answer.ok || more !== '', offers, seq: answer.seq, what: one.what,
  }];
  if (!answer.ok) return;
  setTimeout(() => pass(one.id), KEPT_SHOWN_MS);
  if (offers) setTimeout(() => offerEnds(one.id), offered.lastsMs);
}

// The newest line stays as long as it offers something; the others make room.
function pass(id) {
  const one = shown.find((other) => other.id === id);
  if (!one || one.stays) return;
  one.old = true;
  shown = shown.filter((other) => other.stays || !other.old || (other.offers && other === shown.findLast((last) => last.kind === 'kept')));
  show();
}

function offerEnds(id) {
  const one = shown.find((other) => other.id === id);
  if (!one) return;
  one.offers = false;
  pass(id);
  show();
}

function changed() {
  show();
  hearers.forEach((hear) => hear(null, null, null));
}

// One line an entry; what it says changes in place, so that a button under a finger or with the focus stays.
function line({ id, kind, words, acts, old = false }) {
  const found = document.getElementById(`line-${id}`) ?? make('li', { id: `line-${id}`, class: 'ask' }, make('span', {}));
  found.dataset.kind = kind;
  mark(found, 'data-old', old ? 'yes' : null);
  text(found.querySelector('span'), words);
  const buttons = acts.map(({ name, word, act }) => {
    const button = found.querySelector(`[data-act="${name}"]`) ?? make('button', { type: 'button', class: 'plain', 'data-act': name });
    text(button, word);
    button.onclick = act;
    return button;
  });
  for (const old of found.querySelectorAll('button')) if (!buttons.includes(old)) old.remove();
  buttons.forEach((button) => button.isConnected || found.append(button));
  return found;
}

function actsOf(one) {
  const end = { name: 'end', word: say('asks.close'), act: () => close(one.id) };
  if (!one.offers) return one.stays ? [end] : [];
  return [{ name: 'back', word: offered.word, act: () => offered.act(one.seq, one.what) }, end];
}

function lines() {
  const answered = shown.map((one) => ({ ...one, words: one.old ? say('asks.kept_old', one) : one.words, acts: actsOf(one) }));
  const stuck = waiting.some((one) => one.tries > 0);
  return answered.concat(waiting.filter((one) => !one.doubt).map((one) => {
    const known = { what: one.what, why: one.why, age: age(waitedS(one)) };
    const words = say(one.held ? `asks.held_${one.held}` : one.tries ? 'asks.waiting' : 'asks.sending', known);
    return { id: one.id, kind: 'waiting', words, acts: stuck ? [{ name: 'end', word: say('asks.give_up'), act: () => giveUp(one.id) }] : [] };
  }));
}

function show() {
  const list = byId('asks');
  const now = lines().map(line);
  for (const old of [...list.children]) if (!now.includes(old)) old.remove();
  now.forEach((one, i) => list.children[i] !== one && list.insertBefore(one, list.children[i] ?? null));
  const stuck = waiting.find((one) => one.tries > 0);
  // Said once, not with every second of its age.
  if (stuck && !stuck.said) {
    stuck.said = true;
    text(byId('asks-spoken'), say('asks.waiting_said', { what: stuck.what, why: stuck.why }));
  } else if (!stuck) {
    text(byId('asks-spoken'), shown.length ? shown[shown.length - 1].words : '');
  }
}

// What the foot covers: the page scrolls what has the focus clear of it, entries included.
function clearOfFoot() {
  const foot = document.querySelector('.foot');
  new ResizeObserver(() => document.documentElement.style.setProperty('--foot', `${foot.offsetHeight + 8}px`)).observe(foot);
}

export function start() {
  clearOfFoot();
  recall();
  window.addEventListener('storage', heard);
  show();
  setInterval(show, 1000);
  // A line that is back, or a machine that stands: at once, not at the end of the pause.
  on('kit', work);
  on('broker', (broker) => broker?.connected && work());
  for (const topic of ['live', 'entering']) on(topic, () => waiting.some((one) => one.held && isFree(one)) && work());
  work();
}
