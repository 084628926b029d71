// The unit that a key of the contracts names, and a value of the record in words.
import { plain, say } from './format.js';
import { shown, unit } from './units.js';

const OWN = { t: 't', harvested_t: 't', minutes: 'min', trash_discount: 'per t', cracked_discount: 'per t' };
const ENDINGS = [
  ['_kg_ha', 'kg/ha'], ['_t_ha', 't/ha'], ['_kg_m3', 'kg/m3'], ['_per_t', 'per t'], ['_kmh', 'km/h'], ['_m2', 'm2'], ['_m3', 'm3'], ['_pct', '%'],
  ['_rpm', 'rpm'], ['_mm', 'mm'], ['_ha', 'ha'], ['_kg', 'kg'], ['_m', 'm'], ['_g', 'g'], ['_t', 't'],
];

export const unitOfKey = (key) => OWN[key] ?? (key === 'seconds' ? 's' : key === 'metres' ? 'm' : ENDINGS.find(([end]) => key.endsWith(end))?.[1]) ?? '';

// A length stands with two decimals, so that 0.50 m is not read as 5.
function number(value, si) {
  const own = shown(value, si);
  return si === 'm' && Math.abs(own) < 10 ? own.toFixed(2) : plain(own);
}

export function inUnitOf(key, value) {
  const si = unitOfKey(key);
  if (value === null) return say('quantities.none');
  if (value === true || value === false) return say(value ? 'quantities.yes' : 'quantities.no');
  const values = Array.isArray(value) ? value : [value];
  if (!values.every((one) => typeof one === 'number')) return values.join(', ');
  return `${[...new Set(values.map((one) => number(one, si)))].join(', ')} ${unit(si)}`.trim();
}
