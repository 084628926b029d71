// Typed fields: built alike, read with a comma or a point, judged in words beside the field before anything is sent.
import { byId, make, mark, text } from './dom.js';
import { say } from './format.js';
import { toSi, unit } from './units.js';

let made = 0;

// One number or text with its label. `si`: unit of the record, shown and read by [units] show; `least`, `most`: in SI; `fine`: as a
// fine scale shows it, where three digits after the sign are usual and never thousands.
export function field({ id, label, si = '', least = 0, most = 1e9, wholly = false, fine = false, required = false, kind = 'number', hint = '' }) {
  const own = id ?? `field-${(made += 1)}`;
  const input = make(kind === 'long' ? 'textarea' : 'input', {
    id: own, autocomplete: 'off', 'data-kind': kind, 'data-si': si, 'data-least': least, 'data-most': most, 'data-wholly': wholly ? 'yes' : null, 'data-fine': fine ? 'yes' : null,
    required, 'aria-describedby': `${own}-fault`,
    ...(kind === 'long' ? { rows: 3, maxlength: 2000 } : { type: kind === 'time' ? 'time' : 'text', maxlength: kind === 'text' ? 200 : 20 }),
    ...(kind === 'number' ? { inputmode: wholly ? 'numeric' : 'decimal' } : {}),
    ...(kind === 'time' ? { step: 1 } : {}),
  });
  const named = si ? make('span', { class: 'field-unit' }, ' (', make('span', { 'data-unit': si }, unit(si)), ')') : '';
  return make(
    'div',
    { class: 'field' },
    make('label', { for: own }, label, named),
    hint ? make('p', { class: 'more' }, hint) : '',
    make('p', { class: 'field-fault', id: `${own}-fault`, hidden: true }), // above, so that inputs of a row stay in line
    input,
  );
}

let quiet = false;

// The same reading, but nothing is said and no focus moves: for looking at a form that somebody is still filling in.
export function quietly(call) {
  quiet = true;
  try {
    return call();
  } finally {
    quiet = false;
  }
}

export function complain(input, words) {
  if (quiet) return;
  mark(input, 'aria-invalid', words ? 'true' : null);
  const place = byId(`${input.id}-fault`);
  place.hidden = words === '';
  text(place, words);
}

// "1.000" is one to some and a thousand to others, "1,000" the other way round: what could be both is asked about, not guessed.
function twoReadings(raw, allows) {
  const parts = /^([1-9]\d{0,2})[.,](\d{3})$/.exec(raw);
  if (!parts) return null;
  const [, whole, rest] = parts;
  const few = Number(`${whole}.${rest}`);
  const many = Number(`${whole}${rest}`);
  if (!allows(few) || !allows(many)) return null;
  const said = String(few);
  return { found: raw, few: /\.\d{3}$/.test(said) ? `${said}0` : said, many: String(many) };
}

const number = (raw) => (/^[-+]?(\d+([.,]\d*)?|[.,]\d+)$/.test(raw) ? Number(raw.replace(',', '.')) : NaN);
const shortly = (value) => String(Math.round(value * 1000) / 1000);

// Value of a field in SI; undefined: empty; null: wrong, and the field says why.
export function read(input) {
  const raw = input.value.trim();
  if (raw === '') {
    complain(input, input.required ? say('fields.required') : '');
    return input.required ? null : undefined;
  }
  if (input.dataset.kind !== 'number') {
    complain(input, '');
    return raw;
  }
  const given = number(raw);
  const { si } = input.dataset;
  const value = toSi(given, si);
  const least = Number(input.dataset.least);
  const most = Number(input.dataset.most);
  const allows = (shown) => toSi(shown, si) <= most * (1 + 1e-9) && (!input.dataset.wholly || Number.isInteger(shown));
  const doubt = input.dataset.fine ? null : twoReadings(raw, allows);
  if (doubt) {
    complain(input, say('fields.two_readings', doubt));
    return null;
  }
  if (!Number.isFinite(given)) complain(input, say('fields.no_number', { found: raw }));
  else if (input.dataset.wholly && !Number.isInteger(given)) complain(input, say('fields.whole'));
  else if (value < least * (1 - 1e-9) - 1e-12 || value > most * (1 + 1e-9)) {
    const factor = toSi(1, si);
    complain(input, say('fields.range', { least: shortly(least / factor), most: shortly(most / factor) }));
  } else {
    complain(input, '');
    return Math.round(value * 1e6) / 1e6;
  }
  return null;
}

// Reads {key: input id}; the values given, or null when one is wrong (the first wrong one gets the focus).
export function readAll(ids) {
  const found = Object.entries(ids).map(([key, id]) => [key, typeof id === 'string' ? byId(id) : id]).map(([key, input]) => [key, read(input), input]);
  const wrong = found.find(([, value]) => value === null);
  if (wrong) {
    if (!quiet) wrong[2].focus();
    return null;
  }
  return Object.fromEntries(found.filter(([, value]) => value !== undefined).map(([key, value]) => [key, value]));
}

// A group of buttons of which one is chosen; `data-value` of the chosen one is the group's.
export function choice(group, hear = () => {}) {
  const choose = (value) => {
    for (const button of group.querySelectorAll('button[data-value]')) mark(button, 'aria-pressed', String(button.dataset.value === value));
    mark(group, 'data-chosen', value);
  };
  group.addEventListener('click', (event) => {
    const button = event.target.closest('button[data-value]');
    if (!button) return;
    choose(button.dataset.value);
    hear(button.dataset.value);
  });
  return choose;
}

export const chosen = (group) => group.dataset.chosen ?? null;
