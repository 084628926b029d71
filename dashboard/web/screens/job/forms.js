// What is typed on the screen Job: crop, loads, residue width, tank sample, returns catch, notes. One table, one form each.
import * as asks from '../../page/asks.js';
import { byId, make, mark, text } from '../../lib/dom.js';
import { on } from '../../lib/facts.js';
import { field, readAll } from '../../lib/fields.js';
import { plain, say } from '../../lib/format.js';
import { inForce, onInForce } from '../../page/inforce.js';
import { apply } from '../../page/moving.js';
import * as preview from '../../entries/preview.js';
import { shown, unit } from '../../lib/units.js';

const PERCENT = { least: 0, most: 100 };

// `fields`: key of the entry -> field. `check(values)`: the name of a text that says what is missing, or nothing.
const FORMS = {
  crop: {
    fields: {
      name: { kind: 'text' }, tgw_g: { least: 0.5, most: 2000 }, yield_t_ha: { si: 't/ha', most: 40 }, moisture_pct: { least: 0, most: 60 },
      price_per_t: { si: 'per t' }, trash_discount: { si: 'per t' }, cracked_discount: { si: 'per t' },
    },
    check: (values) => (Object.keys(values).length ? null : 'job.nothing'),
  },
  load: {
    fields: { t: { si: 't', least: 0.001, most: 1000 }, volume_m3: { si: 'm3', least: 0.001, most: 1000 }, bulk_kg_m3: { si: 'kg/m3', least: 1, most: 2000 } },
    check: ({ t, volume_m3: volume, bulk_kg_m3: bulk }) => ((t !== undefined) !== (volume !== undefined && bulk !== undefined) && (t === undefined || (volume === undefined && bulk === undefined)) ? null : 'job.load_either'),
  },
  residue: { fields: { residue_width_m: { si: 'm', least: 0.1, most: 100, required: true } } },
  sample: {
    fields: { trash_pct: PERCENT, cracked_pct: PERCENT, unthreshed_pct: PERCENT },
    caution: 'job.sample_caution',
    check: (values) => (Object.keys(values).length ? null : 'job.nothing'),
  },
  returns_catch: {
    fields: { mass_kg: { si: 'kg', most: 10_000, required: true }, seconds: { least: 0.1, most: 3600, required: true } },
    caution: 'job.catch_caution',
  },
  note: { fields: { note: { kind: 'long', required: true } } },
};

const PREVIEWED = ['crop', 'load', 'residue'];

const idOf = (kind, key) => `job-${kind}-${key}`;
const idsOf = (kind) => Object.fromEntries(Object.keys(FORMS[kind].fields).map((key) => [key, idOf(kind, key)]));

function fault(kind, words) {
  const place = byId(`job-${kind}-fault`);
  place.hidden = words === '';
  text(place, words);
}

// What was typed, with its units, as the record's line on the page says it.
function inWords(kind, values) {
  const { fields } = FORMS[kind];
  return Object.entries(values).map(([key, value]) => {
    const { si } = fields[key];
    const number = typeof value === 'number' ? `${plain(si ? shown(value, si) : value)}${si ? ` ${unit(si)}` : ''}` : value;
    return Object.keys(fields).length === 1 ? number : `${say(`job.field.${key}`)} ${number}`;
  }).join(', ');
}

function send(kind) {
  const { fields, check } = FORMS[kind];
  const values = readAll(idsOf(kind));
  if (!values) return fault(kind, say('fields.look'));
  const wrong = check?.(values);
  fault(kind, wrong ? say(wrong) : '');
  if (wrong) return undefined;
  asks.tell({ entry: kind, ...values }, say('job.told_values', { what: say(`job.told_${kind}`), values: inWords(kind, values) }));
  for (const key of Object.keys(fields)) byId(idOf(kind, key)).value = '';
  return undefined;
}

// What would be sent now; null while something is missing or wrong.
function entryOf(kind) {
  const values = readAll(idsOf(kind));
  return values && !FORMS[kind].check?.(values) ? { entry: kind, ...values } : null;
}

// Back from the kit's doubt: what was typed stands again in an empty form, as it was shown.
function refill(entry) {
  const { fields } = FORMS[entry.entry] ?? {};
  const ids = fields && idsOf(entry.entry);
  if (!fields || !Object.keys(entry).some((key) => key in fields) || Object.values(ids).some((id) => byId(id).value !== '')) return;
  byId(`job-form-${entry.entry}`).open = true;
  for (const [key, { si }] of Object.entries(fields)) if (key in entry) byId(ids[key]).value = typeof entry[key] === 'number' ? plain(si ? shown(entry[key], si) : entry[key]) : entry[key];
}

function form(kind) {
  const { fields, caution } = FORMS[kind];
  const parts = Object.entries(fields).map(([key, given]) => field({ id: idOf(kind, key), label: say(`job.field.${key}`), ...given }));
  return make(
    'details',
    { class: 'card fold job-form', id: `job-form-${kind}` },
    make('summary', {}, make('span', {}, make('b', {}, say(`job.form.${kind}`)), ' ', make('span', { class: 'more job-form-now' }))),
    caution ? make('div', { class: 'cautions' }, make('p', {}, say(caution))) : '',
    make('p', {}, say(`job.about.${kind}`)),
    make('fieldset', { 'data-typed': true },
      make('legend', { class: 'spoken' }, say(`job.form.${kind}`)),
      make('div', { class: 'fields' }, ...parts),
      PREVIEWED.includes(kind) ? make('p', { class: 'would said', id: `job-${kind}-would`, role: 'status' }) : '',
      make('p', { class: 'fault', id: `job-${kind}-fault`, role: 'alert', hidden: true }),
      make('button', { type: 'button', class: 'strong huge', onclick: () => send(kind) }, say(`job.send.${kind}`))),
  );
}

function now(kind, words) {
  text(byId(`job-form-${kind}`).querySelector('.job-form-now'), words);
}

function render() {
  const known = inForce();
  if (!known) return;
  const parts = [
    known.crop, known.tgw_g && say('job.now_tgw', { tgw: plain(known.tgw_g) }),
    known.yield_t_ha && known.yield_is_typed && `${plain(shown(known.yield_t_ha, 't/ha'))} ${unit('t/ha')}`,
    known.price_per_t && `${plain(shown(known.price_per_t, 'per t'))} ${unit('per t')}`,
  ];
  now('crop', parts.filter(Boolean).join(', ') || say('job.now_none'));
  now('residue', known.residue_width_m ? `${plain(shown(known.residue_width_m, 'm'))} ${unit('m')}` : say('job.now_none'));
  const list = byId('job-crops');
  if (list.childElementCount === 0) list.append(...known.crops.map((name) => make('option', { value: name })));
}

export function start() {
  byId('job-forms').append(...Object.keys(FORMS).map(form), make('datalist', { id: 'job-crops' }));
  mark(byId(idOf('crop', 'name')), 'list', 'job-crops');
  apply(byId('job-forms'));
  for (const kind of PREVIEWED) preview.watch(byId(`job-form-${kind}`), byId(`job-${kind}-would`), () => entryOf(kind));
  asks.onBack(refill);
  onInForce(render);
  on('kit', (kit) => {
    byId('job-form-returns_catch').hidden = !kit?.returns;
    render();
  });
}
