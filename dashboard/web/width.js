// The part of the cut width in crop, in one touch: the largest error of any area is a strip narrower than believed.
import * as asks from './asks.js';
import { byId, mark, text } from './dom.js';
import { get, on } from './facts.js';
import { fixed, say } from './format.js';

let part = null;

const buttons = () => byId('width').querySelectorAll('button[data-part]');

function render() {
  const kit = get('kit');
  if (!kit) return;
  const now = part ?? kit.width_used;
  for (const button of buttons()) {
    const own = Number(button.dataset.part);
    const going = asks.isWaiting((entry) => entry.entry === 'width_used' && entry.part === own);
    mark(button, 'aria-pressed', String(own === now));
    mark(button, 'data-waiting', going ? 'yes' : null);
    button.disabled = !(get('entering')?.allowed ?? false);
    text(button.querySelector('.part-m'), say('width.metres', { m: fixed(own * kit.cut_width_m, 1) }));
  }
  text(byId('width-now'), say('width.now', { percent: fixed(now * 100, 0), m: fixed(now * kit.cut_width_m, 1) }));
}

// What the record says is in force; null: never entered.
export function know(value) {
  part = value;
  render();
}

export function start() {
  on('kit', render);
  on('entering', render);
  on('entry', (entry) => {
    if (entry?.entry === 'width_used') know(entry.part);
  });
  asks.onAnswer((entry, answer) => {
    if (answer?.ok && entry.entry === 'width_used') part = entry.part;
    render();
  });
  for (const button of buttons()) {
    button.addEventListener('click', () => {
      const entry = { entry: 'width_used', part: Number(button.dataset.part) };
      const word = button.querySelector('.part-word').textContent;
      asks.tell(entry, say('width.told', { part: word.toLowerCase() }), (other) => other.entry === 'width_used');
    });
  }
}
