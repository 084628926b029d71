// The catch of one tray test: which mark, how it was laid, what it catches, and each tray's place and grain. What is typed
// is kept in the browser until it is sent, so that a reload or a call in between costs nothing.
import * as asks from '../../page/asks.js';
import { byId, make, mark, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { choice, chosen, complain, field, read, readAll } from '../../lib/fields.js';
import { clock, plain, say } from '../../lib/format.js';
import { inForce, onInForce } from '../../page/inforce.js';
import * as kept from '../../lib/kept.js';
import { apply } from '../../page/moving.js';
import * as preview from '../../entries/preview.js';
import { shown, toSi, unit } from '../../lib/units.js';

const KEY = 'tailgrain-tray';
const MOST_TRAYS = 12;
const MARKS = 4;
const GROUPS = { laid: 'tray-laid', catches: 'tray-catches', mill: 'tray-mill', by: 'tray-by' };
const START = { unit: null, n: 4, heads: false, laid: 'released', catches: 'both', mill: 'none', by: 'grains', when: null, picked: false, values: {} };
const GROUND_NEEDED = { released: [], ahead: ['before_harvest', 'front'], ground: ['front'] };

const MEASURED = /^tray-(length|width|residue|\d+-x|\w+-area)$/;

let draft = structuredClone(START);
let used = new Map(); // mark -> number of the test that used it
const choose = {};

const allowed = {
  n: (n) => Number.isInteger(n) && n >= 1 && n <= MOST_TRAYS,
  heads: (heads) => typeof heads === 'boolean',
  values: (values) => kept.isObject(values) && Object.values(values).every((one) => typeof one === 'string'),
  when: (when_) => typeof when_ === 'string',
  unit: (unit_) => typeof unit_ === 'string',
};
const isButton = (key, value) => [...byId(GROUPS[key]).querySelectorAll('button')].some((one) => one.dataset.value === value);

// Each part of the draft by itself: a wrong one costs only itself.
function recall() {
  const found = kept.recall(KEY, kept.isObject) ?? {};
  const fits = ([key, value]) => allowed[key]?.(value) ?? (key in GROUPS && isButton(key, value));
  draft = { ...structuredClone(START), ...Object.fromEntries(Object.entries(found).filter(fits)) };
  // A place with a minus in it is of an earlier page.
  for (const [id, value] of Object.entries(draft.values)) {
    if (!/^tray-\d+-x$/.test(id) || !value.startsWith('-')) continue;
    draft.values[id] = value.slice(1);
    draft.values[id.replace(/x$/, 'side')] = 'left';
  }
  // Numbers typed in feet are no metres: lengths and areas of other units are dropped, counts stay.
  if (draft.unit !== unit('m')) draft.values = Object.fromEntries(Object.entries(draft.values).filter(([id]) => !MEASURED.test(id)));
}

function remember() {
  for (const input of byId('tray-form').querySelectorAll('input')) draft.values[input.id] = input.value;
  draft.unit = unit('m');
  kept.remember(KEY, draft);
}

const fill = (root) => {
  for (const input of root.querySelectorAll('input')) if (draft.values[input.id] !== undefined) input.value = draft.values[input.id];
};

// A place is a distance from the middle and a side: a keypad for numbers has no minus on many phones.
function place(i) {
  const across = field({ id: `tray-${i}-x`, label: say('tray.x'), si: 'm', most: 50 });
  const one = (side) => make('button', { type: 'button', 'data-value': side }, say(`tray.side_${side}`));
  const sides = make('div', { class: 'choices', role: 'group', id: `tray-${i}-side`, 'aria-label': say('tray.side', { n: i + 1 }) }, one('left'), one('right'));
  const choose_ = choice(sides, (side) => {
    draft.values[sides.id] = side;
    complain(across.querySelector('input'), '');
    remember();
    draw();
  });
  if (draft.values[sides.id]) choose_(draft.values[sides.id]);
  across.querySelector('.field-fault').before(sides); // above, so that the inputs of a row stay in line
  return across;
}

// Where a tray lies, in metres as the record has it, left negative; undefined: not given, null: wrong, and the field says why.
function placed(i, x) {
  const side = draft.values[`tray-${i}-side`];
  if (!x) return x;
  if (side) return side === 'left' ? -x : x;
  complain(byId(`tray-${i}-x`), say('tray.which_side'));
  return null;
}

// Put a tray at a place given in the unit shown, left negative.
function put(i, shownX, words) {
  byId(`tray-${i}-x`).value = words(Math.abs(shownX));
  if (shownX === 0) return;
  const side = shownX < 0 ? 'left' : 'right';
  draft.values[`tray-${i}-side`] = side;
  for (const button of byId(`tray-${i}-side`).children) mark(button, 'aria-pressed', String(button.dataset.value === side));
}

function trayRow(i) {
  const parts = [
    field({ id: `tray-${i}-grain`, label: say(draft.by === 'grains' ? 'tray.grains_of' : 'tray.mass_of', { n: i + 1 }), most: 1e7, wholly: draft.by === 'grains', fine: draft.by !== 'grains', required: true }),
    place(i),
  ];
  if (draft.heads) parts.push(field({ id: `tray-${i}-heads`, label: say(draft.by === 'grains' ? 'tray.heads_grains' : 'tray.heads_mass'), most: 1e7, wholly: draft.by === 'grains', fine: draft.by !== 'grains' }));
  return make('div', { class: 'fields tray-row', role: 'group', 'aria-label': say('tray.one', { n: i + 1 }) }, ...parts);
}

function buildTrays() {
  byId('trays').replaceChildren(...Array.from({ length: draft.n }, (_, i) => trayRow(i)));
  fill(byId('trays'));
  byId('tray-more').disabled = draft.n >= MOST_TRAYS;
  byId('tray-fewer').disabled = draft.n <= 1;
  mark(byId('tray-heads'), 'aria-pressed', String(draft.heads));
  draw();
}

function resize(n) {
  remember();
  draft.n = Math.max(1, Math.min(MOST_TRAYS, n));
  buildTrays();
  remember();
}

const metres = (id) => toSi(Number(byId(id)?.value.trim().replace(',', '.') || NaN), 'm');
const residue = () => metres('tray-residue') || inForce()?.residue_width_m || NaN;

// Places at equal distances over the residue width.
function spread() {
  const width = residue();
  if (!(width > 0)) {
    fault(say('tray.no_residue'));
    byId('tray-residue').focus();
    return;
  }
  for (let i = 0; i < draft.n; i += 1) put(i, shown((i - (draft.n - 1) / 2) * (width / draft.n), 'm'), (x) => x.toFixed(2));
  fault('');
  remember();
  draw();
}

// The trays as they lie, seen from above, to scale.
function draw() {
  const width = residue() || get('kit')?.cut_width_m || 10;
  const own = metres('tray-width') || 0.5;
  const drawn = [];
  for (let i = 0; i < draft.n; i += 1) {
    const raw = byId(`tray-${i}-x`)?.value.trim();
    const x = raw ? metres(`tray-${i}-x`) * (draft.values[`tray-${i}-side`] === 'left' ? -1 : 1) : (i - (draft.n - 1) / 2) * (width / draft.n);
    const box = make('div', { class: 'across-tray', 'data-placed': raw ? 'yes' : 'no', 'data-out': Math.abs(x) > width / 2 ? 'yes' : null }, String(i + 1));
    box.style.left = `${Math.max(0, Math.min(100, (100 * (x + width / 2)) / width)).toFixed(2)}%`;
    box.style.width = `${Math.max(4, Math.min(100, (100 * own) / width)).toFixed(2)}%`;
    drawn.push(box);
  }
  byId('across-lane').replaceChildren(make('div', { class: 'across-middle' }), ...drawn);
  const half = `${shown(width / 2, 'm').toFixed(1)} ${unit('m')}`;
  text(byId('across-left'), say('tray.left', { half }));
  text(byId('across-right'), say('tray.right', { half }));
}

function buildWhen() {
  const marks = (inForce()?.marks ?? []).slice(-MARKS).reverse();
  const buttons = marks.map((one) => make('button', { type: 'button', 'data-value': `mark ${one.mark}` }, [say('tray.mark_at', { mark: one.mark, time: clock(one.at * 1000, true) }), used.has(one.mark) ? say('tray.mark_used', { n: used.get(one.mark) }) : ''].filter(Boolean).join(', ')));
  buttons.push(make('button', { type: 'button', 'data-value': 'at' }, say('tray.other_time')));
  const place = byId('tray-when');
  const key = buttons.map((one) => one.textContent).join();
  if (place.dataset.built === key) return;
  place.dataset.built = key;
  place.replaceChildren(...buttons);
  // A mark that a test has used is never taken without being touched.
  const free = marks.find((one) => !used.has(one.mark));
  const known = draft.picked && buttons.some((one) => one.dataset.value === draft.when);
  when(known ? draft.when : free ? `mark ${free.mark}` : 'at');
}

function when(value) {
  draft.when = value;
  choose.when(value);
  byId('tray-at-place').hidden = value !== 'at';
}

function buildGround() {
  byId('tray-ground').hidden = draft.laid === 'released';
  const parts = ['before_harvest', 'front'].flatMap((key) => [
    field({ id: `tray-${key}-grains`, label: say(`tray.${key}_grains`), most: 1e6, wholly: true }),
    field({ id: `tray-${key}-area`, label: say(`tray.${key}_area`), si: 'm2', least: 0.001, most: 1000 }),
  ]);
  byId('tray-ground-fields').replaceChildren(...parts);
  fill(byId('tray-ground-fields'));
}

function pick(key, value) {
  remember();
  draft[key] = value;
  if (key === 'by') buildTrays();
  if (key === 'laid') buildGround();
  byId('tray-mill-why').hidden = draft.mill !== 'engaged';
  remember();
}

function fault(words) {
  byId('tray-fault').hidden = words === '';
  text(byId('tray-fault'), words);
}

// The typed clock time as epoch seconds: the last time it was so.
function moment() {
  const value = read(byId('tray-at'));
  if (!value) return null;
  const [h, m, s = 0] = value.split(':').map(Number);
  const at = new Date();
  at.setHours(h, m, s, 0);
  if (at > Date.now() + 1000) at.setDate(at.getDate() - 1);
  return at.getTime() / 1000;
}

// Null when a field is wrong; all wrong ones are marked.
function trays(size) {
  const found = [];
  let right = true;
  for (let i = 0; i < draft.n; i += 1) {
    const ids = { grain: `tray-${i}-grain`, x_m: `tray-${i}-x`, ...(draft.heads ? { heads: `tray-${i}-heads` } : {}) };
    const values = readAll(ids);
    if (!values) {
      right = false;
      continue;
    }
    const one = { [draft.by]: values.grain, ...size };
    const x = placed(i, values.x_m);
    if (x === null) right = false;
    if (x !== undefined) one.x_m = x;
    if (values.heads !== undefined) one[draft.by === 'grains' ? 'heads_grains' : 'heads_mass_g'] = values.heads;
    found.push(one);
  }
  return right ? found : null;
}

function ground(entry) {
  let right = true;
  for (const key of ['before_harvest', 'front']) {
    const inputs = [`tray-${key}-grains`, `tray-${key}-area`].map(byId);
    const needed = GROUND_NEEDED[draft.laid].includes(key) || inputs.some((one) => one.value.trim() !== '');
    for (const one of inputs) one.required = needed;
    const values = readAll({ grains: inputs[0], area_m2: inputs[1] });
    right &&= values !== null;
    if (needed) entry[key] = values;
  }
  return right;
}

// All that is wrong is marked at once; the first of it gets the focus.
function entry() {
  const sizes = readAll({ length_m: 'tray-length', width_m: 'tray-width', residue_width_m: 'tray-residue' });
  const { residue_width_m: width, ...size } = sizes ?? {};
  const found = trays(size);
  const told = { entry: 'tray', trays: found, laid: draft.laid, catches: draft.catches, mill: draft.mill };
  if (width !== undefined) told.residue_width_m = width;
  if (chosen(byId('tray-when')) === 'at') told.at = moment();
  else told.mark = Number(chosen(byId('tray-when')).split(' ')[1]);
  const grounds = draft.laid === 'released' || ground(told);
  return sizes && found && told.at !== null && grounds ? told : null;
}

function send() {
  const told = entry();
  fault(told ? '' : say('fields.look'));
  if (told) asks.tell(told, say('tray.told', { n: told.trays.length }));
  else byId('tray-form').querySelector('[aria-invalid]')?.focus();
}

// The tests so far, by the marks they used.
export function usedBy(tests) {
  used = new Map(tests.filter((one) => one.entry.mark !== undefined).map((one) => [one.entry.mark, one.number]));
  buildWhen();
}

// Where nobody typed anything yet, the trays of the last test stand: most farms have one set.
export function suggest(last) {
  if (!last || ['tray-length', 'tray-width', 'tray-residue'].some((id) => byId(id).value !== '')) return;
  const { trays: [first], residue_width_m: width } = last;
  byId('tray-length').value = plain(shown(first.length_m, 'm'));
  byId('tray-width').value = plain(shown(first.width_m, 'm'));
  if (width !== undefined) byId('tray-residue').value = plain(shown(width, 'm'));
  if (draft.n !== last.trays.length) resize(last.trays.length);
  if (last.trays.every((one) => one.x_m !== undefined)) last.trays.forEach((one, i) => put(i, shown(one.x_m, 'm'), plain));
  remember();
  draw();
}

// Kept: the next test begins with empty trays of the same size at the same places.
function clear() {
  draft.picked = false;
  for (const input of byId('tray-form').querySelectorAll('input[id$="-grain"], input[id$="-heads"]')) input.value = '';
  byId('tray-form').dispatchEvent(new Event('input')); // remembered, and what it would do is no longer said
}

export function start() {
  recall();
  byId('tray-sizes').append(
    field({ id: 'tray-length', label: say('tray.length'), si: 'm', least: 0.01, most: 100, required: true }),
    field({ id: 'tray-width', label: say('tray.width'), si: 'm', least: 0.01, most: 100, required: true }),
    field({ id: 'tray-residue', label: say('tray.residue'), si: 'm', least: 0.1, most: 100 }),
  );
  byId('tray-at-place').append(field({ id: 'tray-at', label: say('tray.at'), kind: 'time', required: true }));
  for (const [key, id] of Object.entries(GROUPS)) {
    choose[key] = choice(byId(id), (value) => pick(key, value));
    choose[key](draft[key]);
  }
  choose.when = choice(byId('tray-when'), (value) => {
    draft.picked = true;
    when(value);
    remember();
  });
  fill(byId('tray-form'));
  buildTrays();
  buildGround();
  byId('tray-mill-why').hidden = draft.mill !== 'engaged';
  byId('tray-form').addEventListener('input', () => {
    remember();
    draw();
  });
  byId('tray-more').addEventListener('click', () => resize(draft.n + 1));
  byId('tray-fewer').addEventListener('click', () => resize(draft.n - 1));
  byId('tray-spread').addEventListener('click', spread);
  byId('tray-heads').addEventListener('click', () => {
    remember();
    draft.heads = !draft.heads;
    buildTrays();
  });
  byId('tray-send').addEventListener('click', send);
  preview.watch(byId('tray-form'), byId('tray-would'), entry);
  asks.onAnswer((told, answer) => answer?.ok && told.entry === 'tray' && clear());
  onInForce((now) => {
    buildWhen();
    byId('tray-residue').placeholder = now.residue_width_m ? shown(now.residue_width_m, 'm').toFixed(1) : '';
    if (!draft.values['tray-residue'] && draft.mill === 'none' && now.mill !== 'none') pick('mill', now.mill), choose.mill(now.mill);
    draw();
  });
  on('kit', () => {
    draw();
    apply(byId('tray-form'));
  });
}
