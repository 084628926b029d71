// The strip of open alerts: worst first, then newest; at most two in full (one on a phone), so that the figure stays in
// sight. What a flood holds back is counted, not announced. Acknowledge, put aside, and the sound of the worst. An alert
// whose condition has ended stands last, in no colour and without an order, until somebody acknowledges that it was.
import * as asks from './asks.js';
import { byId, make, mark, shape, text } from '../lib/dom.js';
import { below, get, on } from '../lib/facts.js';
import { amount, clock, plain, say } from '../lib/format.js';
import { inUnits } from '../lib/inunits.js';
import * as sound from './sound.js';
import { shown, unit } from '../lib/units.js';

const RANK = { danger: 0, caution: 1, notice: 2 };
const WAITING = { raised: 0, returned: 1, acknowledged: 2, shelved: 3 };
const NARROW = window.matchMedia('(max-width: 599px)');
const MINUTES = [10, 30, 120];

// Rules whose figure is also in `live`, with the unit of both.
const PRESENT = {
  'loss-over-limit': { si: 'kg/ha', of: (live) => live.loss?.kg_ha ?? null },
  'returns-over-limit': { si: '%', of: (live) => live.returns.pct },
};

// The unit of the other rules' figures; those that only count have none.
const FIGURES = {
  'side-imbalance': { si: '%', times: 100 }, 'shaft-low': { si: 'rpm' }, 'input-stuck': { si: 'km/h' }, 'tray-overdue': { si: 'h' }, 'gauge-overdue': { si: 'h' },
};

let all = false;
let aside = null; // the alert whose times to put it aside are open
const spoken = new Set();
let saying = []; // those whose words stand in the spoken line

// Whether its condition is gone; what is open still waits for an acknowledgement or the end of a shelf.
export const hasEnded = (alert) => alert.state === 'returned' || Boolean(alert.ended);

// The alerts that are not cleared, as [name, alert].
export function open() {
  return below('alert/')
    .filter(([, alert]) => alert && alert.state in WAITING)
    .sort(([, a], [, b]) => Number(hasEnded(a)) - Number(hasEnded(b)) || Number(a.suppressed ?? false) - Number(b.suppressed ?? false) || RANK[a.severity] - RANK[b.severity]
      || WAITING[a.state] - WAITING[b.state] || (a.since < b.since ? 1 : -1));
}

const mayEnter = () => get('entering')?.allowed ?? false;
const about = (name) => (entry) => ['ack', 'shelve'].includes(entry.entry) && entry.alert === name;

// An alert by its first sentence, as it stands on the page; its rule's name is for the record.
const told = (alert) => inUnits(alert.text).split(/\.(?= |$)/)[0];

function acknowledge(name, alert) {
  aside = null;
  asks.tell({ entry: 'ack', alert: name }, say('asks.ack', { alert: told(alert) }), about(name));
}

function shelve(name, alert, minutes) {
  aside = null;
  asks.tell({ entry: 'shelve', alert: name, minutes }, say('alerts.told_aside', { alert: told(alert), n: minutes }), about(name));
}

function button(act, name, words, label, onclick, more = {}) {
  const going = asks.isWaiting(about(name));
  return make('button', { type: 'button', [`data-${act}`]: name, disabled: going || !mayEnter(), 'aria-label': label, onclick, ...more }, going ? say('alerts.acking') : words);
}

function buttons(name, alert) {
  const acts = [];
  if (alert.state !== 'acknowledged') {
    const word = say(alert.state === 'shelved' ? 'alerts.back' : 'alerts.ack');
    acts.push(button('ack', name, word, say('alerts.act_label', { act: word, text: alert.text }), () => acknowledge(name, alert), { class: 'strong' }));
  }
  if (alert.state !== 'shelved' && alert.state !== 'returned') {
    acts.push(button('aside', name, say('alerts.aside'), say('alerts.act_label', { act: say('alerts.aside'), text: alert.text }), () => {
      aside = aside === name ? null : name;
      render();
    }, { 'aria-expanded': String(aside === name) }));
  }
  const times = aside === name
    ? make('div', { class: 'alert-times', role: 'group', 'aria-label': say('alerts.aside_how_long') },
      make('p', {}, say('alerts.aside_how_long')),
      ...MINUTES.map((n) => button('shelve', `${name} ${n}`, say('time.min', { n }), say('alerts.aside_label', { n, text: alert.text }), () => shelve(name, alert, n))))
    : '';
  return make('div', { class: 'alert-acts' }, ...acts, times);
}

// The figure at its raising stays as it was; the present one stands beside it and is told anew each second.
function figures(alert) {
  const { value, limit, rule } = alert;
  if (value === null || limit === null) return '';
  const { si = '', times = 1 } = PRESENT[rule] ?? FIGURES[rule] ?? {};
  const parts = [say(si ? 'alerts.value' : 'alerts.value_bare', { value: amount(times * shown(value, si)), limit: plain(round(times * shown(limit, si))), unit: unit(si) }), ' '];
  if (PRESENT[rule] && !hasEnded(alert)) parts.push(make('span', { class: 'alert-now', 'data-rule': rule }, present(rule)));
  return make('p', { class: 'alert-figures' }, ...parts);
}

const round = (value) => Math.round(value * 10) / 10;

function present(rule) {
  const live = get('live');
  const value = live ? PRESENT[rule].of(live) : null;
  return value === null ? say('alerts.now_unknown') : say('alerts.now', { value: amount(shown(value, PRESENT[rule].si)), unit: unit(PRESENT[rule].si) });
}

function state(alert) {
  if (hasEnded(alert)) {
    const name = alert.state === 'shelved' ? 'alerts.ended_shelved' : alert.ended ? 'alerts.ended' : 'alerts.ended_unknown';
    return say(name, { time: clock(alert.since), ended: clock(alert.ended ?? NaN) });
  }
  const words = { severity: say(`alerts.${alert.severity}`), time: clock(alert.since), until: clock(alert.until ?? NaN) };
  return say(`alerts.${alert.state === 'shelved' && !alert.until ? 'shelved_open' : alert.state}`, words);
}

// The first sentence says it; what follows is left out on Now and where there is little room.
function sentences(words) {
  const [first, ...rest] = words.split(/(?<=\.) /);
  return rest.length ? [first, make('span', { class: 'alert-rest' }, ` ${rest.join(' ')}`)] : [first];
}

function card([name, alert]) {
  const ended = hasEnded(alert);
  return make(
    'li',
    { class: 'alert', 'data-alert': name, 'data-severity': alert.severity, 'data-state': alert.state, 'data-ended': ended ? 'yes' : null, 'data-suppressed': alert.suppressed ? 'yes' : null },
    shape(ended ? 'none' : alert.severity),
    make(
      'div',
      { class: 'alert-words' },
      make('p', { class: 'alert-kind' }, state(alert)),
      make('p', { class: 'alert-text' }, ...sentences(inUnits(alert.text))),
      ' ',
      figures(alert),
      alert.state === 'raised' && alert.action ? make('p', { class: 'alert-do' }, ...sentences(inUnits(alert.action))) : '',
    ),
    buttons(name, alert),
  );
}

function speak(alerts) {
  const key = ([name, alert]) => `${name} ${alert.since} ${alert.severity}`;
  const fresh = alerts.filter((one) => one[1].state === 'raised' && !one[1].suppressed && !spoken.has(key(one)));
  for (const one of fresh) spoken.add(key(one));
  if (spoken.size > 500) spoken.clear();
  // What is over leaves the spoken line: the same words later are a change then, and are spoken again.
  if (!alerts.some((one) => saying.includes(key(one)))) text(byId('alerts-spoken'), '');
  if (fresh.length) saying = fresh.map(key);
  if (fresh.length) text(byId('alerts-spoken'), fresh.map(([, { severity, text: words }]) => say('alerts.say', { severity: say(`alerts.${severity}`), text: words })).join(' '));
  const calling = alerts.find(([, alert]) => alert.state === 'raised' && !alert.suppressed);
  sound.call(calling ? calling[1].severity : null, calling ? key(calling) : '');
}

function more(alerts, inFull) {
  const hidden = alerts.length - inFull;
  if (hidden <= 0) return [];
  const held = alerts.filter(([, alert]) => alert.suppressed && alert.state === 'raised').length;
  const words = all ? say('alerts.less') : say(held ? 'alerts.more_held' : 'alerts.more', { n: hidden, held });
  return [make('li', { class: 'alert-more' }, make('button', { type: 'button', class: 'plain', 'aria-expanded': String(all), onclick: toggle }, words))];
}

function render() {
  const alerts = open();
  const inFull = Math.min(NARROW.matches ? 1 : 2, Math.max(1, alerts.filter(([, alert]) => !alert.suppressed).length));
  const strip = byId('alerts');
  const data = strip.contains(document.activeElement) ? { ...document.activeElement.dataset } : null;
  strip.hidden = alerts.length === 0;
  byId('alerts-list').replaceChildren(...(all ? alerts : alerts.slice(0, inFull)).map(card), ...more(alerts, inFull));
  mark(strip, 'data-open', alerts.length);
  if (data) {
    const [act, name] = Object.entries(data)[0] ?? ['', ''];
    (strip.querySelector(`[data-${act || 'none'}="${CSS.escape(name)}"]:not(:disabled)`) ?? strip.querySelector('button:not(:disabled)'))?.focus();
  }
  speak(alerts);
}

function tell() {
  for (const one of document.querySelectorAll('#alerts .alert-now')) text(one, present(one.dataset.rule));
}

function toggle() {
  all = !all;
  render();
}

export function start() {
  NARROW.addEventListener('change', render);
  on('alert', render);
  on('entering', render);
  on('kit', render);
  on('live', tell);
  asks.onAnswer(render);
}
