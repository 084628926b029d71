// What a screen shows and takes, by `[units] show`; everything else is SI. The factors are exact: foot 0.3048 m, pound
// 0.45359237 kg, acre 43,560 square feet; grain in bushels where the mass of a bushel is known.
import { get, on } from './facts.js';
import { amount, has, say, small } from './format.js';

const LB = 0.45359237;
const FT = 0.3048;
const ACRE = (43_560 * FT * FT) / 10_000;
const MILE = 1.609344;
const BUSHEL_M3 = 0.0352390701; // by volume

let us = false;
let bushelKg = null;

// How many of the shown unit one of the record's is; `bushels`: the same where grain is shown in bushels.
const FACTORS = {
  'km/h': () => 1 / MILE,
  m: () => 1 / FT,
  m2: () => 1 / (FT * FT),
  m3: () => 1 / BUSHEL_M3,
  ha: () => 1 / ACRE,
  'ha/h': () => 1 / ACRE,
  kg: () => 1 / LB,
  'kg/m3': () => BUSHEL_M3 / LB,
  'kg/ha': () => ACRE / LB,
  't/ha': () => (1000 * ACRE) / LB,
  't/h': () => 1000 / LB,
  t: () => 1000 / LB,
  'per t': () => LB / 1000,
  'per ha': () => ACRE,
};
const BUSHELS = {
  'kg/ha': () => ACRE / bushelKg,
  't/ha': () => (1000 * ACRE) / bushelKg,
  't/h': () => 1000 / bushelKg,
  t: () => 1000 / bushelKg,
  'per t': () => bushelKg / 1000,
};

export const inBushels = (si) => us && bushelKg !== null && si in BUSHELS;

function kind(si) {
  if (inBushels(si)) return { unit: say(`units.bushel.${si}`), factor: BUSHELS[si]() };
  if (us && si in FACTORS) return { unit: say(`units.us.${si}`), factor: FACTORS[si]() };
  return { unit: has(`units.si.${si}`) ? say(`units.si.${si}`) : si, factor: 1 };
}

// `si`: the unit of the record (km/h, m, ha, kg/ha, t/ha, t/h, t, per t ...); one without a counterpart stays as it is.
export const unit = (si) => kind(si).unit;
export const shown = (value, si) => (Number.isFinite(value) ? value * kind(si).factor : value);
export const toSi = (value, si) => (Number.isFinite(value) ? value / kind(si).factor : value);
export const isUs = () => us;

// Loss and pulses as they stand on the page; a bushel is large, so its parts need more decimals.
export const amountOf = (value, si) => (us ? small : amount)(shown(value, si));

// Marks every [data-unit="km/h"] below a node with the unit that is shown.
export function label(root = document) {
  for (const one of root.querySelectorAll('[data-unit]')) one.textContent = unit(one.dataset.unit);
}

function take(kit) {
  us = kit?.units === 'us';
  bushelKg = kit?.bushel_lb ? kit.bushel_lb * LB : null;
  label();
}

export function start() {
  on('kit', take);
  if (get('kit')) take(get('kit'));
}
