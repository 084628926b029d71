// A question at the foot of the page, above what is on its way: it covers no figure, and alerts stay in reach. One stands at
// a time; the focus goes to it and comes back from it.
import { byId, make, text } from '../lib/dom.js';

let asked = []; // {key, title, words, more, buttons: [{word, act, strong, name}], leave}; the first one stands
let standing = null;
let before = null; // what had the focus

export const isAsked = (key) => asked.some((one) => one.key === key);

// `first`: somebody touched for it, so it stands before those that came by themselves. `focus`: it may take the focus.
export function ask(panel, { first = false, focus = true } = {}) {
  asked = asked.filter((one) => one.key !== panel.key);
  if (first) asked.unshift(panel);
  else asked.push(panel);
  show(focus);
}

export function withdraw(key) {
  if (!isAsked(key)) return;
  asked = asked.filter((one) => one.key !== key);
  show(true);
}

function button({ word, act, strong, name }) {
  return make('button', { type: 'button', class: strong ? 'strong' : null, 'data-answer': name, onclick: act }, word);
}

function show(focus) {
  const next = asked[0] ?? null;
  if (next === standing) return;
  const box = byId('question');
  const within = box.contains(document.activeElement);
  if (!within && standing === null) before = document.activeElement;
  standing = next;
  if (next) fill(box, next);
  box.hidden = next === null;
  if (next && (focus || within)) box.focus();
  else if (!next && (within || document.activeElement === document.body)) giveBack();
}

function fill(box, { title, words, more = [], buttons }) {
  text(byId('question-title'), title);
  text(byId('question-words'), words);
  byId('question-more').replaceChildren(...more);
  byId('question-buttons').replaceChildren(...buttons.map(button));
}

function giveBack() {
  const may = before?.isConnected && !before.disabled && before.getClientRects().length > 0;
  (may ? before : byId('main')).focus({ preventScroll: true });
  before = null;
}

export function start() {
  byId('question').addEventListener('keydown', (event) => {
    if (event.key !== 'Escape' || !standing) return;
    event.stopPropagation();
    standing.leave();
  });
}
