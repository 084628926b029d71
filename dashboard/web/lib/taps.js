// A tap test: pulses of each input since it began, and a row that shows them.
import { make, mark, reshape, shape, text } from './dom.js';
import { fixed, has, say } from './format.js';
import { shown, unit } from './units.js';

export const HEARD = 3; // fewer may be a stray knock

export class Taps {
  constructor() {
    this.pulses = new Map();
    this.began = false;
  }

  again() {
    this.pulses.clear();
    this.began = false;
  }

  // The machine runs: what is counted until it rests again is no tap. What was heard before stays heard.
  pause() {
    this.began = false;
  }

  // Counts of the seconds that ended after the test began; what lay in the first answer is older.
  take(fresh) {
    if (!this.began) {
      this.began = true;
      return;
    }
    for (const second of fresh) second.counts.forEach((count, at) => this.pulses.set(at, (this.pulses.get(at) ?? 0) + count));
  }

  of(at) {
    return this.pulses.get(at) ?? 0;
  }
}

// Kinds of inputs that the page has no words for are named as the kit names them.
export function nameOf(input) {
  if (input.reads === 'loss') return say('inputs.loss', { point: say(`points.${input.point}`), side: say(`inputs.${input.side}`) });
  return has(`inputs.${input.reads}`) ? say(`inputs.${input.reads}`, { shaft: input.shaft ?? '' }) : input.name;
}

export function valueOf(input) {
  if (input.value === null) return say(`inputs.life_${input.life.replace(' ', '_')}`);
  const value = { value: fixed(shown(input.value, input.unit), input.digits), unit: unit(input.unit) };
  return say(has(`inputs.value_${input.reads}`) ? `inputs.value_${input.reads}` : 'inputs.value_other', value);
}

// A row of its own for each input, made once and then only rewritten: nothing under a finger is swapped away.
export function row(host, key, name) {
  const found = host.querySelector(`[data-input="${key}"]`);
  if (found) return found;
  const made = make(
    'li', { class: 'sign', 'data-input': key, 'data-state': 'waiting' },
    shape('blank'), make('span', { class: 'sign-name' }, name), ' ', make('span', { class: 'sign-said' }),
  );
  host.append(made);
  return made;
}

// Nothing on a screen is judged while the machine runs; why stands beside it.
export function notJudged(host, words) {
  host.hidden = words === '';
  text(host.lastElementChild, words);
}

const SHAPES = { good: 'normal', notice: 'notice', caution: 'caution', waiting: 'blank' };

export function show(one, state, words) {
  mark(one, 'data-state', state);
  reshape(one.querySelector('svg'), SHAPES[state]);
  text(one.querySelector('.sign-said'), words);
}
