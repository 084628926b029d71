// An entry of the record in a line of words, for lists of entries and for what is asked about one.
import { has, say } from '../lib/format.js';
import { inUnitOf } from '../lib/quantities.js';
import * as machine from '../page/machine.js';

const COMMON = ['entry', 'at', 'by', 'note', 'sure'];

const nameOf = (key) => (has(`entrywords.keys.${key}`) ? say(`entrywords.keys.${key}`) : key.replaceAll('_', ' '));
const wordOf = (value) => (has(`entrywords.values.${value}`) ? say(`entrywords.values.${value}`) : value);
const pair = ([key, value]) => `${nameOf(key)} ${typeof value === 'string' ? wordOf(value) : inUnitOf(key, value)}`.trim();
const rest = (entry, ...without) => Object.entries(entry).filter(([key, value]) => !COMMON.includes(key) && !without.includes(key) && typeof value !== 'object').map(pair);

function setting({ what, name, from, to }) {
  const known = { name: machine.nameOf(what, name), from: machine.figure(what, from), to: machine.withUnit(what, to) };
  return say(from === undefined || from === to ? 'entrywords.stands' : 'entrywords.set', known);
}

// What was caught: each tray's kernels or grams.
function tray({ trays, ...more }) {
  const [first] = trays;
  const caught = 'grains' in first ? say('entrywords.kernels', { n: trays.map((one) => one.grains).join(', ') }) : say('entrywords.grams', { g: trays.map((one) => one.mass_g).join(', ') });
  const size = say('entrywords.tray_size', { width: inUnitOf('width_m', [...new Set(trays.map((one) => one.width_m))]), length: inUnitOf('length_m', [...new Set(trays.map((one) => one.length_m))]) });
  return [say('entrywords.trays', { n: trays.length }), size, caught, ...rest(more, 'laid', 'mill')].join(', ');
}

function gauge({ sieve, readout, readout_mm: mm, unit = 'mm', measured_mm: gaps }) {
  const said = `${mm ?? readout} ${wordOf(unit)}`;
  return say('entrywords.gauge', { sieve: wordOf(sieve), readout: said, gaps: inUnitOf('measured_mm', gaps) });
}

const OWN = {
  setting,
  tray,
  gauge,
  width_used: ({ part }) => say('entrywords.width', { percent: Math.round(part * 100) }),
  strike_out: ({ seq, why }) => say('entrywords.struck', { seq: seq ?? '', why }),
};

export function inWords(entry) {
  const kind = entry.entry;
  if (OWN[kind]) return OWN[kind](entry);
  const name = has(`entrywords.kinds.${kind}`) ? say(`entrywords.kinds.${kind}`) : kind.replaceAll('_', ' ');
  const values = [...rest(entry), ...(entry.note ? [entry.note] : [])];
  return values.length ? `${name}: ${values.join(', ')}` : name;
}

// What a suggestion changes, as short as a button: "0.50 m".
export function changed(entry, suggest) {
  const parts = [];
  for (const [key, value] of Object.entries(suggest)) {
    if (key === 'trays') parts.push(...changedTrays(entry.trays ?? [], value));
    else if (JSON.stringify(entry[key]) !== JSON.stringify(value)) parts.push(typeof value === 'string' ? wordOf(value) : inUnitOf(key, value));
  }
  return parts.join(', ');
}

function changedTrays(before, after) {
  const keys = [...new Set(after.flatMap(Object.keys))].filter((key) => after.some((one, i) => one[key] !== before[i]?.[key]));
  return keys.map((key) => inUnitOf(key, [...new Set(after.map((one) => one[key]).filter((one) => one !== undefined))]));
}
