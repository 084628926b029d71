// What was entered: the newest entries, in their words; each can be taken back, and what was taken back stays readable.
import * as asks from '../../page/asks.js';
import { byId, make } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { clock, moment } from '../../lib/format.js';
import { read } from '../../lib/read.js';
import { inWords } from '../../entries/entrywords.js';
import { current, onShow } from '../../page/navigation.js';
import * as takeback from '../../entries/takeback.js';

const SOON_MS = 400; // entries are on disk before they are answered
const SHORT = 8;

let known = [];
let timer = null;

const isToday = (at) => new Date(at * 1000).toDateString() === new Date().toDateString();
const when = (at) => (isToday(at) ? clock(at * 1000, true) : moment(at * 1000));

function row({ seq, kept, entry, struck }) {
  const words = inWords(entry);
  return make('li', { class: 'entered', 'data-entered': seq, 'data-struck': struck ? 'yes' : null },
    make('p', {}, make('span', { class: 'past-time' }, `${seq} · ${when(kept)}`), ' ', ...takeback.struckParts(words, struck)),
    struck ? '' : takeback.button(seq, entry.entry, words));
}

function render() {
  const next = JSON.stringify([known, get('kit')?.units, get('entering')?.allowed, known.map((one) => asks.isWaiting((entry) => entry.entry === 'strike_out' && entry.seq === one.seq))]);
  const place = byId('job-entered-list');
  if (place.dataset.shown === next) return;
  place.dataset.shown = next;
  const focused = place.contains(document.activeElement) ? document.activeElement.dataset.back : null;
  place.replaceChildren(...known.slice(0, SHORT).map(row));
  byId('job-entered-rest').replaceChildren(...known.slice(SHORT).map(row));
  byId('job-entered-none').hidden = known.length > 0;
  byId('job-entered-more').hidden = known.length <= SHORT;
  if (focused) document.querySelector(`#job-entered [data-back="${focused}"]`)?.focus({ preventScroll: true });
}

async function load() {
  clearTimeout(timer);
  try {
    known = (await read('entered')).entered;
  } catch { /* the stale line says what is broken */ }
  render();
}

function soon() {
  clearTimeout(timer);
  if (current() === 'job') timer = setTimeout(load, SOON_MS);
}

export function start() {
  onShow('job', load);
  on('entry', soon);
  on('kit', soon);
  on('entering', render);
  asks.onAnswer((_, answer) => {
    if (answer?.ok) soon();
    else render();
  });
}
