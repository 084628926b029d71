// The state of the calibration in words, why it is so, and what to do about it: cautions before any step.
import { byId, mark, reshape, text } from '../../lib/dom.js';
import { on } from '../../lib/facts.js';
import { age, say } from '../../lib/format.js';
import { inUnits } from '../../lib/inunits.js';

const SHAPES = { none: 'blank', rough: 'near', good: 'normal', stale: 'caution' };

function render(live) {
  if (!live) return;
  const { state, why, age_s: seconds } = live.calibration;
  const card = byId('calibration');
  mark(card, 'data-state', state);
  reshape(card.querySelector('svg'), SHAPES[state]);
  text(byId('calibration-state'), say(`calibration.${state}`));
  const old = seconds === null ? '' : `, ${say('calibration.age', { age: age(seconds) })}`;
  text(byId('calibration-why'), `${inUnits(why)}${old}`);
  const beside = byId('figure-calibration');
  mark(beside, 'data-state', state);
  reshape(beside.querySelector('svg'), SHAPES[state]);
  text(beside.querySelector('span'), say('calibration.beside', { state: say(`calibration.${state}`).toLowerCase() }));
  const advice = byId('calibration-do');
  text(advice, say(`calibration.do_${state}`));
  advice.hidden = advice.textContent === '';
  byId('calibration-how').hidden = state !== 'none';
}

export function start() {
  on('live', render);
}
