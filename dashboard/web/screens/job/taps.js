// What a tap enters on the screen Job: limits by steppers, chopper and spreader, what the returns look like.
import * as asks from '../../page/asks.js';
import { byId, make, mark, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { choice, chosen } from '../../lib/fields.js';
import { DASH, say } from '../../lib/format.js';
import { inForce, onInForce } from '../../page/inforce.js';
import * as preview from '../../entries/preview.js';
import { sure } from '../../lib/sure.js';
import { inBushels, isUs, shown, toSi, unit } from '../../lib/units.js';

const LIMITS = {
  loss_kg_ha: { si: 'kg/ha', step: 5, stepUs: 0.1, stepLb: 5, first: 60 },
  loss_pct: { si: '', unit: '%', step: 0.1, first: 1 },
  returns_pct: { si: '', unit: '%', step: 5, first: 60 },
};
const LOOKS = ['clean_grain', 'unthreshed_heads', 'chaff'];
const AMOUNTS = ['none', 'some', 'much'];

const amountWord = (one) => say(one === 'none' ? 'job.none_amount' : `job.${one}`);

const pending = {}; // limit -> value being stepped to, in SI; null: no limit

const mayEnter = () => get('entering')?.allowed ?? false;
const unitOf = (key) => LIMITS[key].unit ?? unit(LIMITS[key].si);
const stepOf = ({ si, step, stepUs, stepLb }) => (isUs() && si ? (inBushels(si) ? stepUs : stepLb) : step);

function figure(key, value) {
  if (value === null || value === undefined) return DASH;
  const step = stepOf(LIMITS[key]);
  return (LIMITS[key].si ? shown(value, LIMITS[key].si) : value).toFixed(step < 1 ? 1 : 0);
}

function stepTo(key, way) {
  const { si, first } = LIMITS[key];
  const by = stepOf(LIMITS[key]);
  const now = key in pending ? pending[key] : inForce()?.limits[key] ?? null;
  const from = now === null ? null : Number(figure(key, now)); // from what is shown: a step that shows the same is none
  const next = from === null ? (si ? shown(first, si) : first) : (way > 0 ? Math.floor(from / by + 1e-6) + 1 : Math.ceil(from / by - 1e-6) - 1) * by;
  const most = key === 'loss_kg_ha' ? 10_000 : 100;
  pending[key] = Math.min(most, Math.max(0, Math.round((si ? toSi(next, si) : next) * 1000) / 1000));
  render();
}

function send(key, value) {
  const what = value === null ? say('job.told_no_limit', { name: say(`job.${key}`) }) : say('job.told_limit', { name: say(`job.${key}`), value: figure(key, value), unit: unitOf(key) });
  asks.tell({ entry: 'limit', [key]: value }, what, (other) => other.entry === 'limit' && key in other);
  delete pending[key];
  render();
}

function row(key) {
  const name = say(`job.${key}`);
  const step = (way, sign, label) => make('button', { type: 'button', class: 'step', 'data-way': way, 'aria-label': say(label, { name }), onclick: () => stepTo(key, way) }, sign);
  return make(
    'div',
    { class: 'stepper', 'data-limit': key, role: 'group', 'aria-label': name },
    make('h3', {}, name),
    make('p', { class: 'stepper-now more' }),
    make('div', { class: 'stepper-row' }, step(-1, '−', 'change.less_of'), make('output', { class: 'stepper-value', 'aria-live': 'polite' }, make('span', { class: 'number' }), ' ', make('span', { class: 'unit' })), step(1, '+', 'change.more_of')),
    make('p', { class: 'would', role: 'status' }),
    make('div', { class: 'buttons' },
      make('button', { type: 'button', class: 'strong', 'data-act': 'enter', hidden: true, onclick: () => send(key, pending[key]) }),
      make('button', { type: 'button', 'data-act': 'none', onclick: (event) => sure(event.currentTarget, event.currentTarget, say('job.none_sure')) && send(key, null) }, say('job.no_limit'))),
  );
}

function renderLimits() {
  const now = inForce()?.limits;
  if (!now) return;
  for (const card of byId('job-limits-list').children) {
    const key = card.dataset.limit;
    const value = key in pending ? pending[key] : now[key];
    text(card.querySelector('.number'), figure(key, value));
    text(card.querySelector('.unit'), unitOf(key));
    text(card.querySelector('.stepper-now'), now[key] === null ? say('job.limit_none') : say('job.limit_now', { value: figure(key, now[key]), unit: unitOf(key) }));
    const enter = card.querySelector('[data-act="enter"]');
    enter.hidden = !(key in pending) || pending[key] === now[key];
    enter.disabled = !mayEnter();
    text(enter, say('job.limit_enter', { value: figure(key, value), unit: unitOf(key) }));
    mark(card, 'data-pending', enter.hidden ? null : 'yes');
    preview.look(card.querySelector('.would'), enter.hidden ? null : { entry: 'limit', [key]: value });
    const none = card.querySelector('[data-act="none"]');
    none.hidden = now[key] === null;
    none.disabled = !mayEnter();
  }
}

function renderResidue() {
  const now = inForce();
  for (const key of ['chopper', 'spreader']) {
    for (const button of byId(`job-${key}`).children) {
      mark(button, 'aria-pressed', String(now ? String(now[key]) === button.dataset.value : false));
      button.disabled = !mayEnter();
    }
  }
}

function renderLook() {
  const groups = LOOKS.map((key) => byId(`look-${key}`));
  byId('job-look-send').disabled = !mayEnter() || !groups.some(chosen);
}

function render() {
  renderLimits();
  renderResidue();
  renderLook();
}

function lookGroup(key) {
  const id = `look-${key}`;
  return make(
    'div',
    {},
    make('h3', { id: `${id}-title` }, say(`job.${key}`)),
    make('div', { id, class: 'choices', role: 'group', 'aria-labelledby': `${id}-title` },
      ...AMOUNTS.map((one) => make('button', { type: 'button', 'data-value': one, 'aria-pressed': 'false' }, amountWord(one)))),
  );
}

function sendLook() {
  const given = LOOKS.map((key) => [key, chosen(byId(`look-${key}`))]).filter(([, value]) => value);
  asks.tell({ entry: 'returns_look', ...Object.fromEntries(given) }, say('job.told_look', { seen: given.map(([key, value]) => `${say(`job.${key}`).toLowerCase()}: ${amountWord(value)}`).join(', ') }));
  for (const key of LOOKS) {
    const group = byId(`look-${key}`);
    mark(group, 'data-chosen', null);
    for (const button of group.children) mark(button, 'aria-pressed', 'false');
  }
  render();
}

export function start() {
  byId('job-limits-list').append(...Object.keys(LIMITS).map(row));
  byId('job-look-groups').append(...LOOKS.map(lookGroup));
  for (const key of LOOKS) choice(byId(`look-${key}`), renderLook);
  byId('job-look-send').addEventListener('click', sendLook);
  for (const key of ['chopper', 'spreader']) {
    byId(`job-${key}`).addEventListener('click', (event) => {
      const button = event.target.closest('button');
      const { value } = button?.dataset ?? {};
      if (!value || String(inForce()?.[key]) === value || !sure(button, button, say('job.sure'))) return;
      asks.tell({ entry: 'residue', [key]: value === 'true' }, `${say(`job.${key}`)}: ${say(value === 'true' ? 'job.on' : 'job.off')}`, (other) => other.entry === 'residue' && key in other);
    });
  }
  asks.onBack((entry) => {
    if (entry.entry !== 'limit') return;
    for (const key of Object.keys(LIMITS)) if (typeof entry[key] === 'number') pending[key] = entry[key];
    render();
  });
  onInForce(render);
  for (const topic of ['entering', 'kit']) on(topic, render);
}
