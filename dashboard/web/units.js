// What a screen shows and takes, by `[units] show`; everything else is SI. The factors are exact: foot 0.3048 m, pound
// 0.45359237 kg, acre 43,560 square feet; grain in bushels where the mass of a bushel is known.
import { get, on } from './facts.js';
import { amount, small } from './format.js';

const LB = 0.45359237;
const FT = 0.3048;
const ACRE = (43_560 * FT * FT) / 10_000;
const MILE = 1.609344;

let us = false;
let bushelKg = null;

const HA = { unit: 'ac', by: () => 1 / ACRE };
const KINDS = {
  'km/h': { unit: 'mph', by: () => 1 / MILE },
  m: { unit: 'ft', by: () => 1 / FT },
  m2: { unit: 'ft²', by: () => 1 / (FT * FT) },
  ha: HA,
  'ha/h': { unit: 'ac/h', by: () => 1 / ACRE },
  kg: { unit: 'lb', by: () => 1 / LB },
  'kg/m3': { unit: 'lb/bu', by: () => 0.0352390701 / LB },
  'kg/ha': { unit: 'lb/ac', by: () => ACRE / LB, bushel: 'bu/ac', inBushels: () => ACRE / bushelKg },
  't/ha': { unit: 'lb/ac', by: () => (1000 * ACRE) / LB, bushel: 'bu/ac', inBushels: () => (1000 * ACRE) / bushelKg },
  't/h': { unit: 'lb/h', by: () => 1000 / LB, bushel: 'bu/h', inBushels: () => 1000 / bushelKg },
  t: { unit: 'lb', by: () => 1000 / LB, bushel: 'bu', inBushels: () => 1000 / bushelKg },
  'per t': { unit: 'per lb', by: () => LB / 1000, bushel: 'per bu', inBushels: () => bushelKg / 1000 },
  'per ha': { unit: 'per ac', by: () => ACRE },
};

function kind(si) {
  const found = us ? KINDS[si] : undefined;
  if (!found) return { unit: si === 'm2' ? 'm²' : si === 'kg/m3' ? 'kg/m³' : si, factor: 1 };
  if (found.bushel && bushelKg) return { unit: found.bushel, factor: found.inBushels() };
  return { unit: found.unit, factor: found.by() };
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
