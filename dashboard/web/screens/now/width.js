// The part of the cut width in crop, in one touch: the largest error of any area is a strip narrower than believed.
import * as asks from '../../page/asks.js';
import { byId, mark, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { fixed, say } from '../../lib/format.js';
import * as preview from '../../entries/preview.js';
import { shown, unit } from '../../lib/units.js';

let kept = null; // answered as kept, and not yet in a second of the kit

const buttons = () => byId('width').querySelectorAll('button[data-part]');

function render() {
  const kit = get('kit');
  if (!kit) return;
  const now = kept ?? get('live')?.width_used ?? kit.width_used;
  const metres = (part) => ({ m: fixed(shown(part * kit.cut_width_m, 'm'), 1), unit: unit('m') });
  for (const button of buttons()) {
    const own = Number(button.dataset.part);
    const going = asks.isWaiting((entry) => entry.entry === 'width_used' && entry.part === own);
    mark(button, 'aria-pressed', String(own === now));
    mark(button, 'data-waiting', going ? 'yes' : null);
    button.disabled = !(get('entering')?.allowed ?? false);
    text(button.querySelector('.part-m'), say('width.metres', metres(own)));
  }
  text(byId('width-now'), say('width.now', { percent: fixed(now * 100, 0), ...metres(now) }));
}

export function start() {
  for (const topic of ['kit', 'entering']) on(topic, render);
  on('live', (live) => {
    if (kept !== null && live?.width_used === kept) kept = null;
    render();
  });
  on('entry', (entry) => {
    if (entry?.entry !== 'width_used') return;
    kept = entry.part;
    render();
  });
  asks.onAnswer((entry, answer) => {
    if (answer?.ok && entry.entry === 'width_used') kept = entry.part;
    render();
  });
  for (const button of buttons()) {
    const part = Number(button.dataset.part);
    for (const event of ['pointerenter', 'focus']) button.addEventListener(event, () => preview.look(byId('width-would'), button.getAttribute('aria-pressed') === 'true' ? null : { entry: 'width_used', part }));
    for (const event of ['pointerleave', 'blur']) button.addEventListener(event, () => preview.look(byId('width-would'), null));
    button.addEventListener('click', () => {
      preview.look(byId('width-would'), null);
      const entry = { entry: 'width_used', part };
      const word = button.querySelector('.part-word').textContent;
      asks.tell(entry, say('width.told', { part: word.toLowerCase() }), (other) => other.entry === 'width_used');
    });
  }
}
