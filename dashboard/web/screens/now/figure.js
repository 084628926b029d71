// The main figure: machine loss with its interval against the limit; without a calibration pulses and their trend.
import { byId, mark, reshape, text } from '../../lib/dom.js';
import { on } from '../../lib/facts.js';
import { DASH, age, amount, fixed, plain, say, small } from '../../lib/format.js';
import { amountOf, isUs, shown, unit } from '../../lib/units.js';
import { stateKey } from '../../page/bar.js';
import { pulsesOf, trend } from './series.js';
import { series } from './trail.js';

const SPEAK_MS = 10_000;
const SPEAK_MOVED_MS = 3_000;
const SPEAK_CHANGE_MS = 1_000;
const MOVED = 0.15;
const SCALES = [0.1, 0.2, 0.5, 1, 2, 3, 5, 10, 20, 30, 50, 80, 100, 150, 200, 300, 500, 800, 1000, 2000, 5000, 10000, 50000];

let spokenAt = -Infinity;
let spokenVerdict = '';
let spokenValue = null;
let top = 0;

// How the loss stands to its limit: as sure as the alerts are (9 of 10 to say over or under).
export function standing(live) {
  const limit = live.limit_kg_ha;
  const p = live.loss?.over_limit_p ?? null;
  if (limit === null || limit === undefined) return 'no_limit';
  if (p === null) return null;
  if (p >= 0.9) return (live.loss.over_twice_limit_p ?? 0) >= 0.9 ? 'double' : 'over';
  return p <= 0.1 ? 'under' : 'near';
}

const SHAPES = { no_limit: 'none', under: 'normal', near: 'near', over: 'caution', double: 'danger' };

function verdict(live, known) {
  const kind = known ? standing(live) : null;
  const chip = byId('standing');
  mark(chip, 'data-kind', kind ?? 'unknown');
  reshape(chip.querySelector('svg'), SHAPES[kind] ?? 'none');
  const words = kind ? say(`loss.${kind}`, { limit: limitInWords(live) }) : why(live);
  text(byId('standing-word'), words);
  return words;
}

const KG = 'kg/ha';

// A limit as it was set; in other units to as many figures as make sense.
const limitOf = (live) => (isUs() ? small(shown(live.limit_kg_ha, KG)) : plain(live.limit_kg_ha));

// Of two limits the tighter counts; one that was set in percent of the grain says so.
function limitInWords(live) {
  const limit = limitOf(live);
  return live.limit_basis === 'pct' ? say('loss.limit_of_pct', { limit, pct: plain(live.limit_pct) }) : limit;
}

function why(live) {
  const key = stateKey(live.state);
  return key === 'working' || key === 'filling' ? say('loss.unknown') : say(`loss.${key}`);
}

// The scale holds the interval and the limit, and changes by steps so that the bar does not wobble.
function scale(live) {
  const [low, high, loss, limit] = [live.loss.low, live.loss.high, live.loss.kg_ha, live.limit_kg_ha].map((one) => shown(one, KG));
  const wanted = Math.max(limit ? 1.5 * limit : 0, high ?? 2 * (loss ?? low ?? 0), shown(5, KG));
  if (wanted > top || wanted < 0.4 * top) top = SCALES.find((step) => step >= wanted) ?? wanted;
  return top;
}

function span(live, known) {
  const bar = byId('span');
  bar.hidden = !known;
  if (!known) return;
  const full = scale(live);
  const place = (value) => `${Math.min(100, Math.max(0, (100 * shown(value, KG)) / full)).toFixed(2)}%`;
  const { low, high, kg_ha: loss } = live.loss;
  const band = bar.querySelector('.span-band').style;
  band.left = place(low);
  band.right = high === null ? '0' : `${(100 - parseFloat(place(high))).toFixed(2)}%`;
  mark(bar, 'data-open', high === null ? 'yes' : null);
  bar.querySelector('.span-now').style.left = place(loss);
  const limit = bar.querySelector('.span-limit');
  const limited = Number.isFinite(live.limit_kg_ha);
  limit.hidden = !limited;
  if (limited) limit.style.left = place(live.limit_kg_ha);
  const word = byId('span-limit-word');
  word.hidden = !limited;
  if (limited) {
    word.style.left = `clamp(3.6rem, ${place(live.limit_kg_ha)}, calc(100% - 5.5rem))`; // clear of 0 and of the scale's end
    text(word, say('loss.limit', { limit: limitOf(live) }));
  }
  text(byId('span-top'), plain(full));
}

function interval(loss) {
  if (loss.low === null) return '';
  const name = loss.high === null ? 'loss.interval_open' : 'loss.interval';
  return say(name, { low: amountOf(loss.low, KG), high: amountOf(loss.high, KG), unit: unit(KG) });
}

function digits(value, raw) {
  const output = byId('loss');
  text(output, value);
  mark(output, 'data-length', Math.max(2, value.length));
  mark(output, 'data-value', raw);
}

function renderLoss(live) {
  const loss = live.loss;
  const known = loss !== null && loss.kg_ha !== null;
  digits(known ? amountOf(loss.kg_ha, KG) : DASH, known ? loss.kg_ha : null);
  text(byId('interval'), known ? interval(loss) : '');
  byId('interval-more').hidden = !known;
  text(byId('interval-more'), say('loss.interval_more'));
  const words = verdict(live, known);
  span(live, known);
  text(byId('pct'), known ? fixed(loss.pct, loss.pct < 9.95 ? 1 : 0) : DASH);
  text(byId('t-h'), known ? small(shown(loss.t_h, 't/h')) : DASH);
  text(byId('value-h'), known ? small(loss.value_h) : DASH);
  text(byId('pct-more'), known && loss.pct === null ? say('loss.pct_none') : say('loss.pct'));
  text(byId('value-more'), known && loss.value_h === null ? say('loss.value_none') : say('loss.value_h'));
  const told = known && { loss: amountOf(loss.kg_ha, KG), low: amountOf(loss.low, KG), high: amountOf(loss.high, KG), unit: unit(KG), verdict: words };
  const name = known && loss.high === null ? 'loss.spoken_open' : 'loss.spoken';
  speak(known ? say(name, told) : say('loss.spoken_none', { why: words }), words, known ? loss.kg_ha : null);
}

// What is lost an hour with the discounts of the grain in the tank, where a sample and a price say so.
function all(live, calibrated) {
  const { quality_h: quality, total_h: total, sample_age_s: old } = live.value ?? {};
  const line = byId('value-all');
  line.hidden = !calibrated || !live.loss || !Number.isFinite(quality) || !Number.isFinite(total);
  if (line.hidden) return;
  text(line, say('loss.value_all', { total: small(total), quality: small(quality), age: Number.isFinite(old) ? age(old) : DASH }));
}

function renderPulses(live) {
  const rate = pulsesOf(live);
  digits(amount(rate), rate);
  const found = trend(series);
  const words = found ? say(`pulses.trend_${found.way}`, { now: amount(found.now), before: amount(found.before) }) : say('pulses.trend_none');
  const chip = byId('standing');
  mark(chip, 'data-kind', 'unknown');
  reshape(chip.querySelector('svg'), found?.way ?? 'none');
  text(byId('standing-word'), words);
  text(byId('interval'), '');
  byId('interval-more').hidden = !found;
  text(byId('interval-more'), say('pulses.trend_more'));
  byId('span').hidden = true;
  speak(words, found?.way ?? '', null);
}

// Never twice in a second. A change of the standing is told at once, a figure that has moved after three seconds, all
// else every ten. What is not announced can still be read: #figure-text always holds the present sentence.
function speak(words, standingNow, value) {
  text(byId('figure-text'), words);
  const at = performance.now();
  const moved = value === null || spokenValue === null ? value !== spokenValue : Math.abs(value - spokenValue) > MOVED * spokenValue;
  if (at - spokenAt < (standingNow !== spokenVerdict ? SPEAK_CHANGE_MS : moved ? SPEAK_MOVED_MS : SPEAK_MS)) return;
  spokenAt = at;
  spokenVerdict = standingNow;
  spokenValue = value;
  text(byId('figure-spoken'), words);
}

function render(live) {
  if (!live) return;
  const calibrated = live.calibration.state !== 'none';
  const card = byId('figure');
  mark(card, 'data-mode', calibrated ? 'loss' : 'pulses');
  text(byId('figure-title'), say(calibrated ? 'loss.title' : 'pulses.title'));
  text(byId('figure-scope'), say(calibrated ? 'loss.scope' : 'pulses.scope'));
  text(byId('figure-unit'), calibrated ? unit(KG) : say('pulses.unit'));
  text(byId('t-h-unit'), say('loss.t_h', { unit: unit('t/h') }));
  byId('money').hidden = !calibrated;
  all(live, calibrated);
  byId('to-calibration').hidden = calibrated;
  if (calibrated) renderLoss(live);
  else renderPulses(live);
  mark(card, 'data-second', live.t);
}

export function start() {
  on('live', render);
}
