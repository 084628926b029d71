// The speeds to drive next. A touch says which one is meant; it is entered, and its minute and a half counted, only once the
// machine drives it. What the screen calls held was held.
import * as asks from '../../page/asks.js';
import { byId, make, mark, text } from '../../lib/dom.js';
import { ageOf, get, on } from '../../lib/facts.js';
import { fixed, say } from '../../lib/format.js';
import { sure, unsure } from '../../lib/sure.js';
import { shown, unit } from '../../lib/units.js';

const STEP_S = 90;
const MOST_OFF_KMH = 0.5;
const LIVE_IS_NEWS_S = 5;

let offered = [];
let plan = null; // {kmh, from, entered, s}: the step that is driven now and the seconds it was held
let driven = new Set();
let last = null; // the second counted last

const kmh = (value) => `${fixed(shown(value, 'km/h'), 1)} ${unit('km/h')}`;
const measured = () => (ageOf('live') > LIVE_IS_NEWS_S ? null : get('live')?.speed_kmh ?? null);
const left = () => Math.max(0, STEP_S - plan.s);
const runs = () => plan !== null && plan.entered && left() > 0;

// Near enough that it is this step and none of the others.
function near() {
  const gaps = offered.filter((one) => one !== plan.kmh).map((one) => Math.abs(one - plan.kmh) / 2);
  const now = measured();
  return now !== null && Math.abs(now - plan.kmh) <= Math.min(MOST_OFF_KMH, ...gaps);
}

export function offer(speeds) {
  const host = byId('plan');
  if (plan || host.dataset.built === speeds.join()) return;
  host.dataset.built = speeds.join();
  offered = speeds;
  driven = new Set();
  host.replaceChildren(...speeds.map((speed) => make(
    'li', {}, make('button', { type: 'button', class: 'wide', 'data-kmh': speed, onclick: (event) => choose(event.currentTarget, speed) },
      make('span', { class: 'plan-speed' }, kmh(speed)), make('span', { class: 'plan-left' }, say('speed.hold', { s: STEP_S }))),
  )));
}

// Leaving a step before its count is over takes a second touch.
function choose(button, speed) {
  if (plan?.kmh === speed && left() > 0) return;
  if (runs() && !sure(button, button.querySelector('.plan-left'), say('speed.leave_sure', { s: left() }))) return;
  unsure(byId('plan-end'));
  plan = { kmh: speed, from: plan?.entered ? plan.kmh : measured(), entered: false, s: 0 };
  second(get('live'));
}

function end(again) {
  if (runs() && !sure(byId('plan-end'), byId('plan-end'), say('speed.end_sure', { s: left() }))) return;
  plan = null;
  unsure(byId('plan-end'));
  text(byId('plan-said'), say('speed.plan_over'));
  again();
  render();
}

// A second counts where the machine works and drives the step; a device that slept has not seen it and counts none.
function second(live) {
  if (plan && live && live.t !== last && near() && left() > 0) {
    if (!plan.entered) enter();
    else if (live.state === 'working') plan.s += 1;
    if (left() === 0) driven.add(plan.kmh);
  }
  last = live?.t ?? last;
  render();
}

function enter() {
  plan.entered = true;
  const from = plan.from === null ? {} : { from: Math.round(plan.from * 10) / 10 };
  asks.tell({ entry: 'setting', what: 'speed_kmh', ...from, to: plan.kmh }, say('speed.told', { speed: kmh(plan.kmh) }));
}

function words() {
  const now = measured();
  const known = { now: now === null ? say('speed.now_unknown') : kmh(now), speed: kmh(plan.kmh), s: left() };
  if (left() === 0) return say(driven.size < offered.length ? 'speed.next' : 'speed.all_held');
  if (!near()) return say(plan.entered ? 'speed.slipped' : 'speed.not_yet', known);
  return say(get('live')?.state === 'working' ? 'speed.holding' : 'speed.not_working', known);
}

function render() {
  const allowed = get('entering')?.allowed ?? false;
  const now = measured();
  text(byId('plan-now'), say('speed.drives', { now: now === null ? say('speed.now_unknown') : kmh(now) }));
  byId('plan-end').hidden = plan === null;
  if (byId('plan-end').dataset.sure === undefined) text(byId('plan-end'), say('speed.plan_end'));
  for (const button of byId('plan').querySelectorAll('button')) {
    const speed = Number(button.dataset.kmh);
    const mine = plan?.kmh === speed;
    button.disabled = !allowed;
    mark(button, 'aria-pressed', String(mine));
    if (button.dataset.sure !== undefined) continue;
    const going = mine && left() > 0;
    const key = going ? (plan.entered ? 'left' : 'wanted') : driven.has(speed) ? 'held' : 'hold';
    text(button.querySelector('.plan-left'), say(`speed.${key}`, { s: going ? left() : STEP_S }));
  }
  if (plan) text(byId('plan-said'), words());
}

// `again()`: the steps are over, look at the record anew.
export function start(again) {
  byId('plan-end').addEventListener('click', () => end(again));
  on('live', second);
  on('entering', render);
  setInterval(render, 2_000); // a speed that gets no news is known no longer
}
