// Numbers, ages and texts as a person reads them. Unknown is a dash, never 0.
import words from '../words.js';

export const DASH = '–';

// A text by its dotted name, its {places} filled; {n|one|several} is the word that goes with the number n.
export function say(name, values = {}) {
  const text = name.split('.').reduce((at, part) => (at === undefined ? at : at[part]), words);
  if (typeof text !== 'string') return name;
  return text
    .replace(/\{(\w+)\|([^|}]*)\|([^|}]*)\}/g, (_, key, one, several) => (Number(values[key]) === 1 ? one : several))
    .replace(/\{(\w+)\}/g, (place, key) => (key in values ? String(values[key]) : place));
}

export function has(name) {
  return typeof name.split('.').reduce((at, part) => (at === undefined ? at : at[part]), words) === 'string';
}

// What rounds to nothing is 0, never -0.
function rounded(value, digits) {
  const shown = value.toFixed(digits);
  return Number(shown) === 0 ? shown.replace('-', '') : shown;
}

export function fixed(value, digits) {
  return Number.isFinite(value) ? rounded(value, digits) : DASH;
}

// Loss and pulses: one decimal below 10, whole above, so that a cab screen does not flicker with digits nobody can use.
export function amount(value) {
  return Number.isFinite(value) ? rounded(value, value < 9.95 ? 1 : 0) : DASH;
}

// A number somebody set: as it was set, up to two decimals.
export function plain(value) {
  return Number.isFinite(value) ? String(Math.round(value * 100) / 100) : DASH;
}

// Smaller quantities: about two figures.
export function small(value) {
  if (!Number.isFinite(value)) return DASH;
  return rounded(value, value < 0.995 ? 2 : value < 9.95 ? 1 : 0);
}

export function age(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  if (s < 100) return say('time.s', { n: s });
  if (s < 6000) return say('time.min', { n: Math.floor(s / 60) });
  if (s < 172800) return say('time.h', { n: Math.floor(s / 3600) });
  return say('time.d', { n: Math.floor(s / 86400) });
}

const two = (n) => String(n).padStart(2, '0');

export function clock(epochMs, withSeconds = false) {
  const at = new Date(epochMs);
  if (Number.isNaN(at.getTime())) return DASH;
  const text = `${two(at.getHours())}:${two(at.getMinutes())}`;
  return withSeconds ? `${text}:${two(at.getSeconds())}` : text;
}

// "26 Nov 2026": a month in letters can't be taken for a day, whatever the browser's own order is.
export function day(epochMs, withYear = true) {
  const at = new Date(epochMs);
  if (Number.isNaN(at.getTime())) return DASH;
  const month = at.toLocaleDateString(document.documentElement.lang, { month: 'short' });
  return `${at.getDate()} ${month}${withYear ? ` ${at.getFullYear()}` : ''}`;
}

export const moment = (epochMs, withYear = false) => `${day(epochMs, withYear)} ${clock(epochMs)}`;
