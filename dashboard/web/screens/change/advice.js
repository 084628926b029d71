// The advice in force: caution first, then the step, why, and on what basis. Taking it brings the step up, no more.
import { byId, make, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { clock, fixed, say, small } from '../../lib/format.js';
import { inForce, onInForce } from '../../page/inforce.js';
import { inUnits } from '../../lib/inunits.js';
import * as machine from '../../page/machine.js';
import { bring } from './steppers.js';
import { shown, unit } from '../../lib/units.js';

const REASONS = ['seen', 'why', 'watch', 'stop', 'basis'];

// "money/ha" or "kg/ha".
function worth(advice) {
  if (!Number.isFinite(advice.worth_ha)) return '';
  const money = advice.unit.startsWith('money');
  const si = money ? 'per ha' : 'kg/ha';
  const value = shown(advice.worth_ha, si);
  return say('change.worth', { amount: value < 1 ? small(value) : fixed(value, value < 10 ? 1 : 0), unit: money ? `${say('change.worth_money')} ${unit('per ha')}` : unit(si) });
}

const canTake = (step) => step && machine.isStepped(step.what) && step.to !== null && Number.isFinite(step.to);

// A step that was taken already is no longer offered.
const isTaken = (step) => inForce()?.settings?.[step.what] === step.to;

function render() {
  const advice = get('advice');
  byId('advice-none').hidden = advice !== null;
  byId('advice-some').hidden = advice === null;
  if (!advice) return;
  text(byId('advice-kind'), say(`change.advice_kind.${advice.kind}`));
  text(byId('advice-at'), advice.t ? say('change.advice_at', { time: clock(Date.parse(advice.t)) }) : '');
  byId('advice-caution').hidden = !advice.caution;
  text(byId('advice-caution').querySelector('p'), inUnits(advice.caution));
  const words = advice.step?.words && !advice.words.includes(advice.step.words) ? `${advice.step.words} ${advice.words}` : advice.words;
  text(byId('advice-words'), inUnits(words));
  byId('advice-reasons').replaceChildren(
    ...REASONS.filter((key) => advice[key]).map((key) => make('div', {}, make('dt', {}, say(`change.${key}`)), make('dd', {}, inUnits(advice[key])))),
  );
  text(byId('advice-worth'), worth(advice));
  const offer = canTake(advice.step) && !isTaken(advice.step);
  byId('advice-take').hidden = !offer;
  byId('advice-take-more').hidden = !offer;
}

export function start() {
  byId('advice-take').addEventListener('click', () => {
    const { step } = get('advice') ?? {};
    if (canTake(step)) bring(step.what, step.to);
  });
  for (const topic of ['advice', 'kit']) on(topic, render);
  onInForce(render);
}
