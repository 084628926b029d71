// The kit's own sentences are metric, as its record is. Where the page shows other units, the quantities in them follow.
import { plain, small } from './format.js';
import { isUs, shown, unit } from './units.js';

const NUMBER = String.raw`\d+(?:\.\d+)?`;
// "31 kg/ha", "23 to 42 kg/ha", "6, 7 and 8 km/h"; what follows as "of 60" or "or less" has the unit before it.
const QUANTITY = new RegExp(
  String.raw`(?<![\w.])(${NUMBER}(?:(?:, ${NUMBER})* (?:and|or) ${NUMBER}| (?:to|or) ${NUMBER})?) (kg/ha|t/ha|money/ha|km/h|ha/h|t/h|ha|m)(?![\w/²³])( of ${NUMBER}(?! ?[\w%/]))?`,
  'g',
);

const money = (si) => si === 'money/ha';

// A speed keeps its tenth; all else about two figures.
function one(number, si) {
  const value = shown(Number(number), money(si) ? 'per ha' : si);
  return si === 'km/h' ? plain(Math.round(value * 10) / 10) : small(value);
}

function replaced(match, numbers, si, of = '') {
  const each = (text) => text.replace(new RegExp(NUMBER, 'g'), (number) => one(number, si));
  return `${each(numbers)} ${money(si) ? `money/${unit('ha')}` : unit(si)}${each(of)}`;
}

export function inUnits(words) {
  return isUs() && typeof words === 'string' ? words.replace(QUANTITY, replaced) : words;
}
