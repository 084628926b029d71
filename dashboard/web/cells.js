// Where the loss comes from (separator, cleaning, and their sides), returns, ground speed, shafts.
import { byId, make, mark, text } from './dom.js';
import { get, on } from './facts.js';
import { DASH, amount, fixed, has, say, small } from './format.js';

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
  text(card.querySelector('.number'), amount(calibrated ? found.kg_ha : live.pulses_per_s[name]));
  text(card.querySelector('.unit'), say(calibrated ? 'loss.unit' : 'pulses.unit'));
  const known = calibrated && Number.isFinite(found.kg_ha);
  const range = found.high === null ? 'points.range_open' : 'points.range';
  text(card.querySelector('.interval-of'), known ? say(range, { low: amount(found.low), high: amount(found.high) }) : '');
  const share = found.left_share;
  const sided = Number.isFinite(share);
  mark(card, 'data-sides', sided ? 'yes' : 'no');
  const left = sided ? Math.round(share * 100) : 0;
  if (sided) card.querySelector('.balance-left').style.width = `${(share * 100).toFixed(1)}%`;
  text(card.querySelector('.sides'), sided ? say('points.sides', { left, right: 100 - left }) : say('points.no_sides'));
}

function render(live) {
  if (!live) return;
  const kit = get('kit');
  if (kit) build(kit);
  for (const card of byId('points-list').children) renderPoint(card, live);
  text(byId('returns-number'), fixed(live.returns.pct, 0));
  text(byId('returns-more'), live.returns.t_h === null ? '' : say('facts.returns_t_h', { t_h: small(live.returns.t_h) }));
  text(byId('speed-number'), fixed(live.speed_kmh, 1));
  text(byId('speed-more'), live.area_rate_ha_h === null ? '' : say('facts.area_rate', { rate: fixed(live.area_rate_ha_h, 1) }));
  for (const fact of byId('shafts').children) {
    text(fact.querySelector('.number'), fixed(live.shafts[fact.dataset.shaft], 0));
  }
}

export function start() {
  on('kit', (kit) => kit && build(kit));
  on('live', render);
}
