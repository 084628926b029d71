// Where the kit doubts that an entry was meant, it keeps nothing and asks. The question goes to whoever touched: what was
// probably meant, what was said, or back to the form. Until then the entry lies in the browser, also over a reload.
import * as asks from '../page/asks.js';
import { say } from '../lib/format.js';
import { inUnits } from '../lib/inunits.js';
import { changed } from './entrywords.js';
import * as question from './question.js';

const screens = new Map(); // id -> the screen it was asked on

function back(id) {
  const screen = screens.get(id);
  asks.goBack(id);
  if (screen && location.hash !== screen) location.hash = screen;
}

function ask({ id, entry, what, why, suggest, soon }) {
  screens.set(id, location.hash);
  const buttons = [
    { word: say('twice.meant'), act: () => asks.meant(id), name: 'meant' },
    { word: say('twice.back'), act: () => back(id), name: 'back' },
  ];
  if (suggest) buttons.unshift({ word: say('twice.suggest', { value: changed(entry, suggest) || say('twice.other') }), act: () => asks.corrected(id, suggest), strong: true, name: 'suggest' });
  question.ask({ key: id, title: say('twice.title', { what }), words: inUnits(why), buttons, leave: () => back(id) }, { focus: soon || !isTyping() });
}

// A doubt that comes late, after a lost line, takes nobody's fingers off a field.
const isTyping = () => document.activeElement?.matches('input, textarea') ?? false;

export function start() {
  asks.onDoubt(ask, (id) => {
    screens.delete(id);
    question.withdraw(id);
  });
}
