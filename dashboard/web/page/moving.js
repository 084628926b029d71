// Above 1 km/h nobody types: every <fieldset data-typed> is switched off, and its [data-typed-why] says why. Buttons
// outside such a fieldset (steppers, marks, acknowledging) go on working. The server decides the same for itself.
import { mark, text } from '../lib/dom.js';
import { ageOf, get, on } from '../lib/facts.js';
import { fixed, say } from '../lib/format.js';
import { shown, unit } from '../lib/units.js';

const SPEED_IS_NEWS_S = 10; // an older one says nothing of now

let why = null;

// Why typing is off now; empty: it is not.
export function typingOff() {
  const entering = get('entering');
  if (entering && !entering.allowed) return say(entering.pin ? 'typing.pin' : 'typing.off');
  const kit = get('kit');
  const speed = ageOf('live') > SPEED_IS_NEWS_S ? 0 : get('live')?.speed_kmh ?? 0;
  if (!kit || kit.passenger_enters || !(speed > kit.typing_limit_kmh)) return '';
  return say('typing.moving', { speed: fixed(shown(speed, 'km/h'), 1), unit: unit('km/h') });
}

// Applies the rule to what a screen has just built.
export function apply(root = document) {
  const now = typingOff();
  for (const one of root.querySelectorAll('fieldset[data-typed]')) {
    one.disabled = now !== '';
    mark(one, 'data-off', now ? 'yes' : null);
  }
  for (const one of root.querySelectorAll('[data-typed-why]')) {
    one.hidden = now === '';
    text(one, now);
  }
}

function look() {
  const now = typingOff();
  if (now === why) return;
  why = now;
  apply();
}

export function start() {
  for (const topic of ['live', 'kit', 'entering']) on(topic, look);
  setInterval(look, 2_000);
  look();
}
