// Which screen is shown: the address after # says it, so that back, forward, a reload and a shared link work.
import { byId, mark, text } from '../lib/dom.js';
import { get, on } from '../lib/facts.js';
import { guarded } from '../lib/faults.js';
import { say } from '../lib/format.js';

const hearers = new Map();
let shown = null;

const screens = () => [...document.querySelectorAll('main > .screen')];

export const current = () => shown;

// `hear()` is called each time the screen comes into sight.
export function onShow(name, hear) {
  if (!hearers.has(name)) hearers.set(name, []);
  const call = guarded(name, hear);
  hearers.get(name).push(call);
  if (shown === name) call();
}

function title() {
  const machine = get('kit')?.machine;
  const own = say(`nav.${shown}`);
  document.title = machine ? `${own} · ${machine} · ${say('page.title')}` : `${own} · ${say('page.title')}`;
}

function show(name, focus) {
  const changed = shown !== name;
  shown = name;
  document.documentElement.dataset.screen = name;
  for (const one of screens()) one.hidden = one.dataset.screen !== name;
  for (const link of byId('nav').querySelectorAll('a')) mark(link, 'aria-current', link.dataset.screen === name ? 'page' : null);
  const hidden = byId('nav').querySelector('li:nth-child(n+5) a[aria-current]');
  mark(byId('nav-more'), 'data-current', hidden ? 'yes' : null);
  text(byId('nav-more').querySelector('span'), hidden ? say('nav.more_in', { screen: say(`nav.${name}`) }) : say('nav.more'));
  unfold(false);
  title();
  if (!changed) return;
  if (focus) {
    window.scrollTo(0, 0);
    byId(`screen-${name}`).focus({ preventScroll: true });
  }
  for (const hear of hearers.get(name) ?? []) hear();
}

// The address names a screen, or something on one (then that screen is shown, down to it).
function follow(focus = true) {
  const wanted = decodeURIComponent(location.hash.slice(1));
  if (byId(`screen-${wanted}`)) return show(wanted, focus);
  const place = wanted ? byId(wanted) : null;
  const around = place?.closest('.screen');
  if (!around) return shown === null ? show(screens()[0].dataset.screen, false) : undefined;
  show(around.dataset.screen, false);
  place.scrollIntoView();
  place.focus({ preventScroll: true });
  return undefined;
}

function unfold(open) {
  mark(byId('nav'), 'data-open', open ? 'yes' : null);
  mark(byId('nav-more'), 'aria-expanded', String(open));
}

export function start() {
  byId('nav-more').addEventListener('click', () => unfold(byId('nav-more').getAttribute('aria-expanded') !== 'true'));
  byId('nav').addEventListener('keydown', (event) => event.key === 'Escape' && unfold(false));
  // A touch on the screen that is already in sight leads to its top.
  byId('nav').addEventListener('click', (event) => event.target.closest('a[aria-current]') && (window.scrollTo(0, 0), unfold(false)));
  window.addEventListener('hashchange', () => follow());
  on('kit', title);
  follow(false);
}
