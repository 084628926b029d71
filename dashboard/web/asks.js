// Entries on their way to the kit. Each has an id of its own and stays here until it is answered, also over a reload:
// the kit keeps an id once, so asking again can't double it. They go one by one, in order.
import { byId, make, text } from './dom.js';
import { age, say } from './format.js';
import { again as lookAtPin } from './pin.js';

const KEY = 'tailgrain-asks';
const ANSWER_MS = 15_000;
const KEPT_SHOWN_MS = 8_000;

let waiting = []; // {id, entry, what, since, why, tries}
let shown = [];   // {id, kind: kept|refused, words}
let busy = false;
let timer = null;
const hearers = [];

export const onAnswer = (hear) => hearers.push(hear);
export const isWaiting = (match) => waiting.some((one) => match(one.entry));

function newId() {
  // randomUUID is missing on plain http; this is not.
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return `page-${[...bytes].map((byte) => byte.toString(16).padStart(2, '0')).join('')}`;
}

function remember() {
  try {
    sessionStorage.setItem(KEY, JSON.stringify(waiting));
  } catch {
    // Then they live as long as the page.
  }
}

function recall() {
  try {
    waiting = JSON.parse(sessionStorage.getItem(KEY) ?? '[]');
  } catch {
    waiting = [];
  }
}

// Tell the kit. `replaces(entry)`: waiting entries that this one makes pointless.
export function tell(entry, what, replaces = () => false) {
  waiting = waiting.filter((one) => !replaces(one.entry));
  waiting.push({ id: newId(), entry, what, since: Date.now(), why: '', tries: 0 });
  changed();
  work();
}

function giveUp(id) {
  waiting = waiting.filter((one) => one.id !== id);
  changed();
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
      body: JSON.stringify({ id: one.id, entry: one.entry }),
      signal: AbortSignal.timeout?.(ANSWER_MS),
    });
    return await answer.json();
  } catch {
    return { ok: false, again: true, why: say('asks.offline') };
  }
}

async function work() {
  if (busy || waiting.length === 0) return;
  clearTimeout(timer);
  busy = true;
  const one = waiting[0];
  const answer = await ask(one);
  busy = false;
  if (answer.again) {
    one.why = answer.why;
    one.tries += 1;
    if (waiting.length > 0 && waiting[0].id !== one.id) return work();
    timer = setTimeout(work, Math.min(8_000, 500 * 2 ** one.tries));
    changed();
    return undefined;
  }
  waiting = waiting.filter((other) => other.id !== one.id);
  const words = answer.ok
    ? say('asks.kept', { seq: answer.seq, what: one.what })
    : say('asks.refused', { what: one.what, why: answer.why });
  shown = [...shown.slice(-2), { id: one.id, kind: answer.ok ? 'kept' : 'refused', words }];
  if (answer.ok) setTimeout(() => close(one.id), KEPT_SHOWN_MS);
  if (!answer.ok) lookAtPin();
  changed();
  hearers.forEach((hear) => hear(one.entry, answer));
  return work();
}

function changed() {
  remember();
  show();
  hearers.forEach((hear) => hear(null, null));
}

function line(kind, words, word, act) {
  const button = word ? make('button', { type: 'button', class: 'plain', onclick: act }, word) : '';
  return make('li', { class: 'ask', 'data-kind': kind }, make('span', {}, words), button);
}

function show() {
  const lines = shown.map((one) => line(one.kind, one.words, one.kind === 'refused' ? say('asks.close') : '', () => close(one.id)));
  for (const one of waiting) {
    const known = { what: one.what, why: one.why, age: age((Date.now() - one.since) / 1000) };
    const words = say(one.tries ? 'asks.waiting' : 'asks.sending', known);
    lines.push(line('waiting', words, one.tries ? say('asks.give_up') : '', () => giveUp(one.id)));
  }
  const list = byId('asks');
  // Rebuilt only when something differs: a button under a finger must not be swapped away.
  const next = lines.map((one) => one.textContent).join('\n');
  if (list.dataset.shown === next) return;
  const focused = list.contains(document.activeElement);
  list.dataset.shown = next;
  list.replaceChildren(...lines);
  if (focused) list.querySelector('button')?.focus();
  text(byId('asks-spoken'), shown.length ? shown[shown.length - 1].words : '');
}

export function start() {
  recall();
  show();
  setInterval(show, 1000);
  work();
}
