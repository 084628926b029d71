// What an entry would do before it is sent, as the kit reckons it on a copy of itself. Nothing is kept, nothing waits for it:
// where no answer comes soon, nothing is said.
import { newId, onAnswer } from '../page/asks.js';
import { text } from '../lib/dom.js';
import { get } from '../lib/facts.js';
import { quietly } from '../lib/fields.js';
import { say } from '../lib/format.js';
import { inUnits } from '../lib/inunits.js';
import { typingOff } from '../page/moving.js';

const AFTER_TYPING_MS = 500;
const LIMIT_MS = 2_000;

const asked = new Map(); // place -> {timer, entry}

async function ask(entry) {
  try {
    const answer = await fetch('/preview', {
      method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ id: newId(), entry }), signal: AbortSignal.timeout?.(LIMIT_MS),
    });
    return await answer.json();
  } catch {
    return null;
  }
}

function inWords(answer) {
  if (!answer) return '';
  const { words = [], note = null } = answer.would ?? {};
  return inUnits([...(answer.ask_again ? [answer.why] : []), ...words, ...(note ? [say('asks.note', { note })] : [])].join(' '));
}

const mayAsk = () => (get('entering')?.allowed ?? false) && (get('broker')?.connected ?? false);

// Say in `place` what `entry` would do; null: nothing that could be sent.
export function look(place, entry) {
  const known = asked.get(place);
  clearTimeout(known?.timer);
  const key = JSON.stringify(entry);
  if (entry === null || !mayAsk()) {
    asked.delete(place);
    text(place, '');
    return;
  }
  if (known?.key === key && known.answered) return;
  text(place, '');
  const own = { key, answered: false };
  own.timer = setTimeout(async () => {
    const words = inWords(await ask(entry));
    if (asked.get(place) !== own) return;
    own.answered = true;
    text(place, words);
  }, AFTER_TYPING_MS);
  asked.set(place, own);
}

const watched = [];

// Look whenever something was typed or chosen in `root`, a form of typed fields. `entryOf()`: the entry as it stands now, or null.
export function watch(root, place, entryOf) {
  const now = () => look(place, typingOff() ? null : quietly(entryOf));
  for (const event of ['input', 'click']) root.addEventListener(event, () => setTimeout(now));
  watched.push([place, now]);
}

// What was kept is now so: what stood there before is no longer true.
onAnswer((_, answer) => {
  if (!answer?.ok) return;
  for (const [place, now] of watched) {
    if (!asked.has(place)) continue;
    asked.delete(place);
    now();
  }
});
