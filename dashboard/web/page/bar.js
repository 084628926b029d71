// The top of every screen: what the machine does, which machine it is, and of which second the figures are.
import { byId, mark, reshape, text } from '../lib/dom.js';
import { on } from '../lib/facts.js';
import { clock, say } from '../lib/format.js';

export const stateKey = (state) => state.replace(' ', '_');

function state(live) {
  const key = stateKey(live.state);
  mark(byId('state'), 'data-state', key);
  reshape(byId('state').querySelector('svg'), key);
  text(byId('state-word'), say(`state.${key}`));
  text(byId('state-more'), say(`state_more.${key}`));
  text(byId('second'), say('bar.second_of', { time: clock(Date.parse(live.t), true) }));
}

export function start() {
  on('live', (live) => live && state(live));
  on('kit', (kit) => text(byId('machine'), kit.machine));
}
