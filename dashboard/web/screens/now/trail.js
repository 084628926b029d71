// The ribbon's card: its minutes, its history, the marks beside it in words, and its values as text.
import { onAnswer } from '../../page/asks.js';
import { byId, make, mark, shape, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { amount, clock, say } from '../../lib/format.js';
import { inUnits } from '../../lib/inunits.js';
import * as machine from '../../page/machine.js';
import { read } from '../../lib/read.js';
import { Ribbon } from './ribbon.js';
import { Series, summary } from './series.js';
import { onTheme } from '../../page/theme.js';
import { amountOf, shown, unit } from '../../lib/units.js';

const MARKS_AFTER_MS = 1_500; // the record is on disk at most a second later
const AGAIN_MS = 5_000;
const ANEW_MS = 600_000;
const LISTED = 8;

export const series = new Series();
let ribbon = null;
let minutes = window.innerWidth < 600 ? 10 : 30; // half an hour is a thicket on a phone
let marks = [];
let tests = null;
let marksTimer = null;
let historyTimer = null;
let loading = 0;

const inPulses = () => get('live')?.calibration.state === 'none';

async function loadHistory() {
  clearTimeout(historyTimer);
  const number = ++loading;
  try {
    const history = await read('ribbon', { minutes });
    if (number !== loading) return;
    series.load(history);
    fault('');
    historyTimer = setTimeout(loadHistory, ANEW_MS);
  } catch (error) {
    if (number !== loading) return;
    fault(say('ribbon.fault', { why: error.message }));
    historyTimer = setTimeout(loadHistory, AGAIN_MS);
  }
  draw();
}

async function loadMarks() {
  try {
    const found = await read('marks', { minutes });
    marks = found.marks;
  } catch {
    return; // the history's own fault line says it
  }
  list();
  draw();
}

function marksSoon() {
  clearTimeout(marksTimer);
  marksTimer = setTimeout(loadMarks, MARKS_AFTER_MS);
}

function fault(words) {
  byId('trail-fault').hidden = words === '';
  text(byId('trail-fault'), words);
}

function inWords(one) {
  if (one.kind === 'alert') return `${say(`alerts.${one.severity}`)}: ${inUnits(one.text.split(':')[0])}`;
  if (one.kind === 'tray') return say(one.used ? 'ribbon.tray_used' : 'ribbon.tray_unused', { n: one.number, why: inUnits(one.why) });
  const known = { what: machine.nameOf(one.what), from: machine.figure(one.what, one.from), to: machine.withUnit(one.what, one.to) };
  return say(one.from === null ? 'ribbon.setting_to' : 'ribbon.setting', known);
}

function list() {
  const newest = marks.slice(-LISTED);
  const items = newest.map((one, i) => make(
    'li',
    { 'data-kind': one.kind },
    shape(`mark-${one.kind}`),
    make('span', { class: 'mark-number' }, String(i + 1)),
    make('span', { class: 'mark-time' }, clock(one.at * 1000)),
    make('span', {}, make('span', { class: 'spoken' }, `${say(`ribbon.kind_${one.kind}`)}: `), inWords(one)),
  ));
  byId('marks').replaceChildren(...items.reverse());
  byId('no-marks').hidden = items.length > 0;
}

function draw() {
  const pulses = inPulses();
  const last = series.until;
  mark(byId('trail'), 'data-mode', pulses ? 'pulses' : 'loss');
  text(byId('trail-title'), say(pulses ? 'ribbon.title_pulses' : 'ribbon.title'));
  text(byId('key-line'), say(pulses ? 'ribbon.line_pulses' : 'ribbon.line'));
  if (ribbon && Number.isFinite(last)) {
    const numbered = marks.map((one, i) => ({ ...one, number: i - Math.max(0, marks.length - LISTED) + 1 }));
    ribbon.draw(series, pulses, last - minutes * 60, last, numbered, pulses ? 1 : shown(1, 'kg/ha'));
  }
  text(byId('trail-text'), words(pulses));
}

function words(pulses) {
  const found = summary(pulses ? series.pulses_per_s : series.kg_ha);
  if (!found) return say('ribbon.text_none', { n: minutes });
  const known = pulses ? say('pulses.unit') : unit('kg/ha');
  const figure = pulses ? amount : (value) => amountOf(value, 'kg/ha');
  const said = say('ribbon.text', { n: minutes, mean: figure(found.mean), lowest: figure(found.low), highest: figure(found.high), unit: known });
  const over = series.kg_ha.filter((value, i) => value !== null && series.limit_kg_ha[i] !== null && value > series.limit_kg_ha[i]).length;
  if (pulses || over === 0) return said;
  return `${said} ${say('ribbon.text_over', { minutes: amount((over * series.step) / 60) })}`;
}

function choose(chosen) {
  minutes = chosen;
  for (const button of byId('spans').children) mark(button, 'aria-pressed', String(Number(button.dataset.minutes) === minutes));
  mark(byId('ribbon'), 'aria-label', say('ribbon.chart', { n: minutes }));
  series.clear(minutes);
  loadHistory();
  loadMarks();
}

function take(live) {
  if (!live) return;
  const t = Date.parse(live.t) / 1000;
  const gap = Number.isFinite(series.until) && Math.abs(t - series.until) > 3 * series.step + 5;
  series.take(live);
  if (gap) loadHistory();
  if (tests !== null && tests !== live.calibration.why) marksSoon();
  tests = live.calibration.why;
  draw();
}

export function start() {
  for (const button of byId('spans').children) button.addEventListener('click', () => choose(Number(button.dataset.minutes)));
  ribbon = new Ribbon(byId('ribbon'), draw);
  onTheme(() => ribbon.restyle());
  on('live', take);
  on('entry', marksSoon);
  on('alert', marksSoon);
  onAnswer((_, answer) => answer?.ok && marksSoon());
  on('broker', (broker) => broker?.connected && marksSoon());
  choose(minutes);
}
