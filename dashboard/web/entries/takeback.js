// Taking an entry back: the record keeps it, marked, and nothing rests on it any more. The reason is one touch.
import * as asks from '../page/asks.js';
import { byId, make } from '../lib/dom.js';
import { get, on } from '../lib/facts.js';
import { field, read } from '../lib/fields.js';
import { say } from '../lib/format.js';
import { apply } from '../page/moving.js';
import * as question from './question.js';

const NEVER = ['job_start', 'job_finish', 'ack', 'countersign', 'strike_out'];
const REASONS = ['typed_wrongly', 'wrong_unit', 'not_here'];
const OFFERED_MS = 120_000;

export const mayBeTaken = (kind) => !NEVER.includes(kind);
const about = (seq) => (entry) => entry.entry === 'strike_out' && entry.seq === seq;

function send(seq, what, why) {
  question.withdraw('back');
  asks.tell({ entry: 'strike_out', seq, why }, say('back.told', { seq, what, why }), about(seq));
}

function own(seq, what) {
  const why = read(byId('back-why'));
  if (why) send(seq, what, why);
}

export function takeBack(seq, what) {
  const leave = () => question.withdraw('back');
  const typed = make('details', { class: 'fold' },
    make('summary', {}, say('back.own')),
    make('p', { class: 'fault', 'data-typed-why': true, hidden: true }),
    make('fieldset', { 'data-typed': true }, make('legend', { class: 'spoken' }, say('back.own')),
      field({ id: 'back-why', label: say('back.why'), kind: 'text', required: true }),
      make('button', { type: 'button', class: 'strong wide', onclick: () => own(seq, what) }, say('back.send'))));
  question.ask({
    key: 'back',
    title: say('back.title', { seq, what }),
    words: say('back.words'),
    more: [typed],
    buttons: [
      ...REASONS.map((name) => ({ word: say(`back.reasons.${name}`), act: () => send(seq, what, say(`back.reasons.${name}`)), strong: true, name })),
      { word: say('back.leave'), act: leave, name: 'leave' },
    ],
    leave,
  }, { first: true });
  apply(byId('question'));
}

// The button beside an entry in a list; nothing where it can't be taken back.
export function button(seq, kind, what) {
  if (!mayBeTaken(kind)) return '';
  const going = asks.isWaiting(about(seq));
  return make('button', { type: 'button', class: 'take-back', 'data-back': seq, disabled: going || !(get('entering')?.allowed ?? false), 'aria-label': say('back.label', { seq, what }), onclick: () => takeBack(seq, what) }, say(going ? 'back.going' : 'back.take'));
}

// What was taken back stays readable: struck through, and said in words.
export function struckParts(words, struck) {
  if (!struck) return [words];
  return [make('b', { class: 'struck-word' }, say('back.struck')), ' ', make('s', {}, words), ` ${say('back.struck_why', { why: struck.why })}`];
}

export function start() {
  asks.onKeptLine({ lastsMs: OFFERED_MS, fits: (entry) => mayBeTaken(entry.entry), word: say('back.take'), act: takeBack });
  on('entering', () => {
    for (const one of document.querySelectorAll('[data-back]')) one.disabled = !(get('entering')?.allowed ?? false);
  });
}
