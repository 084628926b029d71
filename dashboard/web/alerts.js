// The strip of open alerts: worst first, then newest; at most two in full (one on a phone), so that
// the figure stays in sight.
import * as asks from './asks.js';
import { byId, make, mark, shape, text } from './dom.js';
import { below, get, on } from './facts.js';
import { amount, clock, has, plain, say } from './format.js';

const RANK = { danger: 0, caution: 1, notice: 2 };
const WAITING = { raised: 0, returned: 1, acknowledged: 2, shelved: 3 };
const NARROW = window.matchMedia('(max-width: 599px)');

let all = false;
const spoken = new Set();

function open() {
  return below('alert/')
    .filter(([, alert]) => alert && alert.state in WAITING)
    .sort(([, a], [, b]) => RANK[a.severity] - RANK[b.severity] || WAITING[a.state] - WAITING[b.state] || (a.since < b.since ? 1 : -1));
}

const mayEnter = () => get('entering')?.allowed ?? false;

function acknowledge(name, alert) {
  asks.tell({ entry: 'ack', alert: name }, say('asks.ack', { alert: alert.rule }), (entry) => entry.entry === 'ack' && entry.alert === name);
}

function button(name, alert) {
  if (alert.state !== 'raised' && alert.state !== 'returned') return '';
  const going = asks.isWaiting((entry) => entry.entry === 'ack' && entry.alert === name);
  return make(
    'button',
    {
      type: 'button', class: 'strong', 'data-ack': name, disabled: going || !mayEnter(),
      'aria-label': say('alerts.ack_label', { text: alert.text }), onclick: () => acknowledge(name, alert),
    },
    say(going ? 'alerts.acking' : 'alerts.ack'),
  );
}

function card([name, alert]) {
  const { value, limit } = alert;
  const unit = has(`alerts.unit.${alert.rule}`) ? say(`alerts.unit.${alert.rule}`) : '';
  const compared = value !== null && limit !== null ? ` ${say('alerts.value', { value: amount(value), limit: plain(limit), unit })}` : '';
  const waits = alert.state === 'raised' || alert.state === 'returned';
  return make(
    'li',
    { class: 'alert', 'data-alert': name, 'data-severity': alert.severity, 'data-state': alert.state },
    shape(alert.severity),
    make(
      'div',
      { class: 'alert-words' },
      make('p', { class: 'alert-kind' }, say(`alerts.${alert.state}`, { severity: say(`alerts.${alert.severity}`), time: clock(alert.since) })),
      make('p', { class: 'alert-text' }, alert.text + compared),
      waits ? make('p', { class: 'alert-do' }, alert.action) : '',
    ),
    button(name, alert),
  );
}

function speak(alerts) {
  const fresh = alerts.filter(([name, alert]) => alert.state === 'raised' && !spoken.has(`${name} ${alert.since} ${alert.severity}`));
  for (const [name, alert] of fresh) spoken.add(`${name} ${alert.since} ${alert.severity}`);
  if (spoken.size > 500) spoken.clear();
  if (fresh.length) text(byId('alerts-spoken'), fresh.map(([, { severity, text: words }]) => say('alerts.say', { severity: say(`alerts.${severity}`), text: words })).join(' '));
}

function render() {
  const alerts = open();
  const inFull = NARROW.matches ? 1 : 2;
  const strip = byId('alerts');
  const focused = strip.contains(document.activeElement) ? document.activeElement.dataset.ack ?? 'more' : null;
  const list = (all ? alerts : alerts.slice(0, inFull)).map(card);
  const hidden = alerts.length - inFull;
  const more = hidden > 0
    ? [make('li', { class: 'alert-more' }, make('button', { type: 'button', class: 'plain', 'aria-expanded': String(all), onclick: toggle }, say(all ? 'alerts.less' : 'alerts.more', { n: hidden })))]
    : [];
  strip.hidden = alerts.length === 0;
  byId('alerts-list').replaceChildren(...list, ...more);
  mark(strip, 'data-open', alerts.length);
  if (focused) (strip.querySelector(`[data-ack="${CSS.escape(focused)}"]`) ?? strip.querySelector('button'))?.focus();
  speak(alerts);
}

function toggle() {
  all = !all;
  render();
}

export function start() {
  NARROW.addEventListener('change', render);
  on('alert', render);
  on('entering', render);
  asks.onAnswer(render);
}
