// Where the loss comes from (separator, cleaning, and their sides), returns, ground speed, shafts.
import { byId, make, mark, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { DASH, amount, fixed, has, plain, say, small } from '../../lib/format.js';
import { inForce } from '../../page/inforce.js';
import { amountOf, shown, unit } from '../../lib/units.js';

function point(name) {
  return make(
    'section',
    { class: 'point', 'data-point': name, 'aria-label': say(`points.${name}`) },
    make('h3', {}, say(`points.${name}`)),
    make('p', { class: 'value' }, make('span', { class: 'number' }, DASH), ' ', make('span', { class: 'unit' })),
    make('p', { class: 'more interval-of' }),
    make('div', { class: 'balance', 'aria-hidden': 'true' },
      make('div', { class: 'balance-left' }), make('div', { class: 'balance-middle' })),
    make('p', { class: 'more sides' }),
  );
}

function build(kit) {
  const points = byId('points-list');
  if (points.dataset.built === kit.points.join()) return;
  points.dataset.built = kit.points.join();
  points.replaceChildren(...kit.points.map(point));
  byId('returns').hidden = !kit.returns;
  byId('shafts').replaceChildren(...kit.shafts.map((shaft) => make(
    'div',
    { class: 'fact', 'data-shaft': shaft },
    make('h3', {}, has(`shafts.${shaft}`) ? say(`shafts.${shaft}`) : shaft[0].toUpperCase() + shaft.slice(1)),
    make('p', {}, make('span', { class: 'number' }, DASH), ' ', make('span', { class: 'unit' }, say('facts.shaft_unit'))),
  )));
}

function renderPoint(card, live) {
  const name = card.dataset.point;
  const found = live.points[name] ?? {};
  const calibrated = live.calibration.state !== 'none';
  text(card.querySelector('.number'), calibrated ? amountOf(found.kg_ha, 'kg/ha') : amount(live.pulses_per_s[name]));
  text(card.querySelector('.unit'), calibrated ? unit('kg/ha') : say('pulses.unit'));
  const known = calibrated && Number.isFinite(found.kg_ha);
  const range = found.high === null ? 'points.range_open' : 'points.range';
  text(card.querySelector('.interval-of'), known ? say(range, { low: amountOf(found.low, 'kg/ha'), high: amountOf(found.high, 'kg/ha') }) : '');
  const share = found.left_share;
  const sided = Number.isFinite(share);
  mark(card, 'data-sides', sided ? 'yes' : 'no');
  const left = sided ? Math.round(share * 100) : 0;
  if (sided) card.querySelector('.balance-left').style.width = `${(share * 100).toFixed(1)}%`;
  text(card.querySelector('.sides'), sided ? say('points.sides', { left, right: 100 - left }) : say('points.no_sides'));
}

// Returns against their limit: a bar with the limit dashed across, and the same in words.
function renderReturns(live) {
  const { pct, t_h: rate } = live.returns;
  byId('returns-rate').hidden = rate === null;
  const limit = inForce()?.limits.returns_pct ?? null;
  text(byId('returns-number'), fixed(pct, 0));
  text(byId('returns-more'), rate === null ? DASH : say('facts.returns_rate', { rate: small(shown(rate, 't/h')), unit: unit('t/h') }));
  const share = (value) => `${Math.min(100, Math.max(0, value)).toFixed(1)}%`;
  mark(byId('returns-bar'), 'data-known', Number.isFinite(pct) ? 'yes' : 'no');
  byId('returns-bar').querySelector('.returns-now').style.width = share(pct ?? 0);
  const line = byId('returns-bar').querySelector('.returns-limit');
  line.hidden = limit === null;
  if (limit !== null) line.style.left = share(limit);
  const over = limit !== null && pct !== null && pct > limit;
  text(byId('returns-limit-word'), limit === null ? '' : say(over ? 'facts.returns_over' : 'facts.returns_limit', { limit: plain(limit) }));
}

function render(live) {
  if (!live) return;
  const kit = get('kit');
  if (kit) build(kit);
  for (const card of byId('points-list').children) renderPoint(card, live);
  renderReturns(live);
  text(byId('speed-number'), fixed(shown(live.speed_kmh, 'km/h'), 1));
  text(byId('speed-more'), live.area_rate_ha_h === null ? DASH : say('facts.area_rate', { rate: fixed(shown(live.area_rate_ha_h, 'ha/h'), 1), unit: unit('ha/h') }));
  for (const fact of byId('shafts').children) {
    text(fact.querySelector('.number'), fixed(live.shafts[fact.dataset.shaft], 0));
  }
}

export function start() {
  on('kit', (kit) => kit && build(kit));
  on('live', render);
}
