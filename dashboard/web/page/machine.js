// The machine's settings as they are shown and stepped: names, units, steps, and which of them a machine has.
import { get } from '../lib/facts.js';
import { inForce } from './inforce.js';
import { DASH, has, say } from '../lib/format.js';
import { isUs, shown, toSi, unit } from '../lib/units.js';

// `step` and the `leap` of a first value in the shown unit; `first`: a guess to begin with where nothing is known; `least`: below
// it nothing that works stands; `hands`: may need reaching in.
const SETTINGS = {
  fan_rpm: { step: 20, leap: 100, first: 800, least: 100, unit: 'rpm', shaft: 'fan' },
  rotor_rpm: { step: 20, leap: 100, first: 700, least: 100, unit: 'rpm', shaft: 'rotor' },
  concave_mm: { step: 1, leap: 5, first: 15, unit: 'mm', hands: true },
  top_sieve_mm: { step: 1, leap: 5, first: 16, unit: 'mm', hands: true },
  bottom_sieve_mm: { step: 1, leap: 5, first: 10, unit: 'mm', hands: true },
  pre_sieve_mm: { step: 1, leap: 5, first: 10, unit: 'mm', hands: true },
  speed_kmh: { step: 0.2, stepUs: 0.1, leap: 1, first: 6, least: 0.5, unit: 'km/h' },
};
export const isHands = (what) => Boolean(SETTINGS[what]?.hands) || what === 'mill';
export const isStepped = (what) => what in SETTINGS;

// The settings of this machine, in the order of setting: threshing before cleaning, speed last.
export function settings() {
  const kit = get('kit');
  const all = ['rotor_rpm', 'concave_mm', 'fan_rpm', 'pre_sieve_mm', 'top_sieve_mm', 'bottom_sieve_mm', 'speed_kmh'];
  const known = inForce()?.settings ?? {};
  return all.filter((what) => what !== 'pre_sieve_mm' || kit?.pre_sieve === 'adjustable' || 'pre_sieve_mm' in known);
}

export function nameOf(what, name = null) {
  if (name) return name;
  if (what === 'rotor_rpm' && get('kit')?.separator === 'walkers') return say('machine.drum');
  return has(`machine.${what}`) ? say(`machine.${what}`) : what;
}

export const unitOf = (what) => (SETTINGS[what] ? unit(SETTINGS[what].unit) : what === 'lag_s' ? unit('s') : '');

const digits = (what) => (what === 'speed_kmh' ? 1 : Number.isInteger(SETTINGS[what]?.step ?? 0.1) ? 0 : 1);

// A value of the record as a person reads it, without its unit.
export function figure(what, value) {
  if (value === null || value === undefined) return DASH;
  if (typeof value !== 'number') return has(`machine.${value}`) ? say(`machine.${value}`) : value;
  if (!SETTINGS[what]) return String(value);
  const number = shown(value, SETTINGS[what].unit);
  const most = Math.round(number * 10) / 10;
  return digits(what) ? most.toFixed(1) : String(most);
}

export const withUnit = (what, value) => `${figure(what, value)} ${typeof value === 'number' ? unitOf(what) : ''}`.trim();

// What the setting stands at: the last entry, else (fan, rotor, speed) what is measured; `entered` says which.
export function present(what) {
  const entered = inForce()?.settings?.[what];
  if (entered !== undefined && what !== 'speed_kmh') return { value: entered, entered: true };
  const live = get('live');
  const measured = what === 'speed_kmh' ? live?.speed_kmh : live?.shafts?.[SETTINGS[what]?.shaft];
  if (Number.isFinite(measured) && measured > (what === 'speed_kmh' ? 1 : 50)) return { value: measured, entered: false };
  return { value: entered ?? null, entered: entered !== undefined };
}

export const leastOf = (what) => SETTINGS[what]?.least ?? 0;
export const siOf = (what) => SETTINGS[what]?.unit ?? '';
export const leapOf = (what) => SETTINGS[what].leap;
export const MOST = 10_000;

// Where a stepper begins when nothing is known; in the record's unit.
export const guess = (what) => SETTINGS[what].first;

// One step (or leap) up or down from a value of the record; the result again as the record has it. Lands on whole steps, and
// starts from the figure that is shown: a step always shows another one.
export function stepped(what, from, way, leap = false) {
  const { step, stepUs, unit: si } = SETTINGS[what];
  const by = leap ? leapOf(what) : isUs() && stepUs ? stepUs : step;
  const now = Number(figure(what, from));
  const next = (way > 0 ? Math.floor(now / by + 1e-6) : Math.ceil(now / by - 1e-6)) * by + way * by;
  return Math.min(MOST, Math.max(leastOf(what), Math.round(toSi(next, si) * 1000) / 1000));
}
