// Guard rails beside an entry: notices, never a refusal. A reason takes one back, and stays in the record with the entry.
import { make, text } from '../../lib/dom.js';
import { say } from '../../lib/format.js';
import { apply } from '../../page/moving.js';

export function clear(host) {
  host.hidden = true;
  host.dataset.shown = '';
  host.replaceChildren();
}

// `found`: notices and the names of their rails, from the kit's own rules. `changed()` when a reason was typed.
export function show(host, found, changed) {
  const rails = found.rails.map((name, i) => ({ name, words: found.notices[i] }));
  // Built anew only when other rails are meant: the field under a finger is not swapped away.
  const names = rails.map((one) => one.name).join();
  const kept = host.dataset.shown === names;
  host.hidden = found.notices.length === 0;
  if (kept) {
    const lines = [...host.querySelectorAll('.rail-words')];
    lines.forEach((line, i) => found.notices[i] && text(line, short(found.notices[i])));
    return;
  }
  host.dataset.shown = names;
  host.replaceChildren(
    make('h3', {}, say('rails.title')),
    ...rails.map(({ name, words }) => {
      const field = make('input', { 'data-rail': name, maxlength: 200, autocomplete: 'off', 'aria-label': say('rails.reason_for', { name }) });
      field.addEventListener('input', changed);
      return make('div', { class: 'rail' }, make('p', { class: 'rail-words' }, short(words)), make('fieldset', { 'data-typed': true }, make('label', { class: 'entry-field' }, make('span', {}, say('rails.reason')), field)));
    }),
  );
  apply(host); // a reason is typed
}

// How a reason is written into a note is the page's business, not the reader's.
const short = (words) => words.replace(/; to go on, say why in the note: .*$/, '.').replace(/^guard rail: /, '');

// The note of an entry that carries the reasons given; empty without any.
export function note(host) {
  return [...host.querySelectorAll('input[data-rail]')]
    .filter((field) => field.value.trim())
    .map((field) => `override ${field.dataset.rail}: ${field.value.trim().replace(/[;\n]/g, ',')}`)
    .join('; ');
}
