// The open job with its start and finish, and the past ones with reopening and the evidence pack.
import * as asks from '../../page/asks.js';
import { byId, make, mark, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { field, read as valueOf, readAll } from '../../lib/fields.js';
import { fixed, moment, plain, say, small } from '../../lib/format.js';
import { apply, typingOff } from '../../page/moving.js';
import { current, onShow } from '../../page/navigation.js';
import { read } from '../../lib/read.js';
import { sure } from '../../lib/sure.js';
import { shown, unit } from '../../lib/units.js';

const WHO = ['client', 'paddock', 'machine', 'operator'];
const START = Object.fromEntries(WHO.map((key) => [key, `job-${key}`]));
const STAYS = ['machine', 'operator']; // the same on the next job
const FINISH = { harvested_t: 'job-harvested', area_ha: 'job-area' };
const POSITIONS = ['coarse', 'exact', 'none'];
const EVERY_MS = 30_000;

let known = { jobs: [], open: null };
let cut = null;
let another = false;
let timer = null;

const mayEnter = () => get('entering')?.allowed ?? false;
const open = () => known.jobs.find((one) => one.n === known.open) ?? null;
const when = (at) => moment(at * 1000);
const who = (job) => WHO.filter((key) => job[key]).map((key) => `${say(`job.${key}`).toLowerCase()} ${job[key]}`).join(', ') || say('job.nobody');

// A job starts and finishes by a tap, also while driving; what was typed at a stand goes along. What is wrong can then not be
// mended: it stays where it is, and the rest goes without it.
function send(entry, ids, what) {
  const driving = typingOff() !== '';
  const values = driving ? rightOnes(ids) : readAll(ids);
  if (!values) return false;
  const left = Object.entries(ids).filter(([key, id]) => !(key in values) && byId(id).value.trim() !== '').map(([, id]) => byId(id).labels[0].textContent);
  byId('job-left-out').hidden = left.length === 0;
  text(byId('job-left-out'), left.length ? say('job.left_out', { fields: left.join(', ') }) : '');
  asks.tell({ entry, ...values }, what(values), () => false, driving);
  for (const [key, id] of Object.entries(ids)) if (key in values && !STAYS.includes(key)) byId(id).value = '';
  return true;
}

function rightOnes(ids) {
  const all = Object.entries(ids).map(([key, id]) => [key, valueOf(byId(id))]);
  return Object.fromEntries(all.filter(([, value]) => value !== undefined && value !== null));
}

function begin() {
  if (!send('job_start', START, (values) => say('job.told_start', { who: who(values) }))) return;
  another = false;
  render();
}

// A finish counts with its second touch, asked for once what was typed is right: a bump in a field must not end a day's job.
function finish() {
  const button = byId('job-finish-send');
  if (typingOff() === '' && !readAll(FINISH)) return;
  if (sure(button, button, say('job.finish_sure'))) send('job_finish', FINISH, () => say('job.told_finish', { n: known.open }));
}

function facts(job) {
  const rows = [[say('job.since'), when(job.periods.at(-1)[0])]];
  if (cut?.job === job.n) {
    rows.push([say('job.area_cut'), `${small(shown(cut.area_ha, 'ha'))} ${unit('ha')}`], [say('job.worked'), `${fixed(cut.worked_s / 3600, 1)} ${unit('h')}`]);
    if (cut.loss_kg_ha !== null) rows.push([say('job.mean_loss'), `${small(shown(cut.loss_kg_ha, 'kg/ha'))} ${unit('kg/ha')}`]);
  }
  return rows.map(([name, value]) => make('div', {}, make('dt', {}, name), make('dd', {}, value)));
}

function render() {
  const job = open();
  text(byId('job-state'), job ? say('job.open', { n: job.n, who: who(job) }) : say('job.none'));
  byId('job-facts').hidden = !job;
  byId('job-mean-why').hidden = !job || cut?.job !== job.n || cut.loss_kg_ha === null;
  if (job) byId('job-facts').replaceChildren(...facts(job));
  byId('job-finish').hidden = !job;
  byId('job-start').hidden = job !== null && !another;
  byId('job-start-warn').hidden = !job;
  mark(byId('job-another'), 'aria-expanded', String(another));
  for (const id of ['job-start-send', 'job-finish-send']) byId(id).disabled = !mayEnter();
}

function reopen(job) {
  const id = `job-why-${job.n}`;
  const values = readAll({ note: id });
  if (values) asks.tell({ entry: 'job_reopen', job: job.n, note: values.note }, say('job.told_reopen', { n: job.n }));
}

// Fetched, then saved, so that a refusal is read here and not in a saved file.
async function fetchPack(job, position, button, said) {
  button.disabled = true;
  text(said, say('job.pack_making'));
  try {
    const answer = await fetch(`/pack/${job.n}?position=${position}`);
    if (!answer.ok) throw new Error((await answer.json()).why);
    const name = /filename="([^"]+)"/.exec(answer.headers.get('content-disposition'))?.[1] ?? `job-${job.n}.html`;
    const url = URL.createObjectURL(await answer.blob());
    make('a', { href: url, download: name }).click();
    setTimeout(() => URL.revokeObjectURL(url), 60_000);
    text(said, say('job.pack_made', { name }));
  } catch (error) {
    text(said, say('job.pack_failed', { why: error.message }));
  }
  button.disabled = false;
}

function packs(job) {
  const said = make('p', { class: 'said', role: 'status' });
  const one = (position) => make('button', { type: 'button', 'data-pack': position, onclick: (event) => fetchPack(job, position, event.currentTarget, said) }, say(`job.pack_${position}`));
  return make('section', { 'aria-label': say('job.pack_of', { n: job.n }) }, make('h3', {}, say('job.pack')), make('div', { class: 'buttons' }, ...POSITIONS.map(one)), said);
}

// What a finished job came to, as the kit reckoned it at its end.
function cameTo(job) {
  if (!job.figures) return '';
  const { area_ha: area, loss } = job.figures;
  const known = { area: `${small(shown(area, 'ha'))} ${unit('ha')}`, unit: unit('kg/ha'), ...Object.fromEntries(['kg_ha', 'low', 'high'].map((key) => [key, small(shown(loss[key], 'kg/ha'))])) };
  const words = say(loss.kg_ha === null ? 'job.came_to_area' : loss.high === null ? 'job.came_to_open' : 'job.came_to', known);
  return make('p', { class: 'came-to' }, loss.kg_ha === null ? words : `${words} ${say('job.came_to_why')}`);
}

// Whoever keeps a copy of a proof line can show later that nothing before it was changed.
function proofs(job) {
  if (!job.proofs.length) return '';
  const line = (one) => make('li', {}, say(`job.proof_${one.end}`, { at: when(one.at), seq: one.seq }), ' ', make('code', {}, one.hash.replace(/(.{8})(?=.)/g, '$1 ')));
  return make('details', { class: 'fold proofs' }, make('summary', {}, say('job.proof')), make('p', {}, say('job.proof_more')), make('ul', {}, ...job.proofs.map(line)));
}

function card(job) {
  const end = job.periods.at(-1)[1];
  const isOpen = job.n === known.open;
  const got = [
    job.harvested_t === undefined ? '' : `${plain(shown(job.harvested_t, 't'))} ${unit('t')}`,
    job.area_ha === undefined ? '' : `${plain(shown(job.area_ha, 'ha'))} ${unit('ha')}`,
  ].filter(Boolean).join(', ');
  const again = isOpen ? '' : make(
    'fieldset', { 'data-typed': true },
    make('legend', { class: 'spoken' }, say('job.reopen_of', { n: job.n })),
    field({ id: `job-why-${job.n}`, label: say('job.reopen_why'), kind: 'text', required: true }),
    make('button', { type: 'button', onclick: () => reopen(job) }, say('job.reopen_of', { n: job.n })),
  );
  return make(
    'li',
    { 'data-job': job.n },
    make(
      'details',
      { class: 'fold' },
      make('summary', {}, make('span', {}, make('b', {}, say('job.one', { n: job.n })), ` ${who(job)}, ${isOpen ? say('job.since_then', { when: when(job.periods[0][0]) }) : `${when(job.periods[0][0])} – ${end === null ? '' : when(end)}`}`)),
      cameTo(job),
      got ? make('p', {}, say('job.got', { got })) : '',
      ...job.reopened.map((why) => make('p', {}, say('job.reopened', { why }))),
      packs(job),
      proofs(job),
      again,
    ),
  );
}

function list() {
  byId('job-past-none').hidden = known.jobs.length > 0;
  byId('job-pack-more').hidden = known.jobs.length === 0;
  const place = byId('job-list');
  const next = JSON.stringify([known, unit('t')]);
  if (place.dataset.shown === next) return;
  place.dataset.shown = next;
  const wide = new Set([...place.querySelectorAll('li:has(details[open])')].map((one) => one.dataset.job));
  place.replaceChildren(...known.jobs.map(card).reverse());
  for (const one of place.children) if (wide.has(one.dataset.job)) one.querySelector('details').open = true;
  apply(place);
}

async function load() {
  clearTimeout(timer);
  try {
    known = await read('jobs');
    if (known.open !== null) cut = await read('job-cut', { job: known.open });
  } catch { /* the stale line says what is broken */ }
  render();
  list();
  if (current() === 'job') timer = setTimeout(load, EVERY_MS);
}

export function start() {
  byId('job-start-fields').append(...WHO.map((key) => field({ id: `job-${key}`, label: say(`job.${key}`), kind: 'text' })));
  byId('job-finish-fields').append(
    field({ id: 'job-harvested', label: say('job.harvested'), si: 't', most: 1e6 }),
    field({ id: 'job-area', label: say('job.area'), si: 'ha', least: 0.0001, most: 1e6 }),
  );
  byId('job-start-send').addEventListener('click', begin);
  byId('job-finish-send').addEventListener('click', finish);
  byId('job-another').addEventListener('click', () => {
    another = !another;
    render();
  });
  // Back from the kit's doubt at a finish: its figures stand again where they were typed.
  asks.onBack((entry) => {
    if (entry.entry !== 'job_finish') return;
    for (const [key, id] of Object.entries(FINISH)) if (key in entry && byId(id).value === '') byId(id).value = plain(shown(entry[key], key === 'area_ha' ? 'ha' : 't'));
  });
  on('entering', render);
  on('kit', (kit) => {
    if (kit && byId('job-machine').value === '') byId('job-machine').value = kit.machine;
    list();
  });
  asks.onAnswer((entry, answer) => answer?.ok && entry.entry.startsWith('job_') && load());
  on('entry', (entry) => entry?.entry.startsWith('job_') && load());
  onShow('job', load);
}
