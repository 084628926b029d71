// The screen "Tray": cautions, the mark "tray down now", the catch, kernel weight, and what the test did to the factor.
import * as asks from '../../page/asks.js';
import { byId, text } from '../../lib/dom.js';
import { get, on } from '../../lib/facts.js';
import { field, readAll } from '../../lib/fields.js';
import { clock, fixed, plain, say } from '../../lib/format.js';
import { inForce, onInForce, read } from '../../page/inforce.js';
import { onShow } from '../../page/navigation.js';
import * as preview from '../../entries/preview.js';
import * as trayform from './form.js';
import * as trayresult from './result.js';

const TGW = { grains: 'tgw-grains', mass_g: 'tgw-mass' };

function down() {
  asks.tell({ entry: 'tray_mark' }, say('tray.told_mark'));
}

function renderMark() {
  const going = asks.isWaiting((entry) => entry.entry === 'tray_mark');
  byId('tray-down').disabled = !(get('entering')?.allowed ?? false);
  const last = inForce()?.marks.at(-1);
  text(byId('tray-down-said'), going ? say('tray.marking') : last ? say('tray.marked', { mark: last.mark, time: clock(last.at * 1000, true) }) : '');
}

function tgwOf() {
  const [grains, mass] = ['tgw-grains', 'tgw-mass'].map((id) => Number(byId(id).value.trim().replace(',', '.')));
  return grains > 0 && mass > 0 ? (mass / grains) * 1000 : NaN;
}

function renderTgw() {
  const now = inForce();
  text(byId('tgw-now'), now?.tgw_g ? say('tray.tgw_now', { tgw: plain(now.tgw_g), crop: now.crop ?? '' }) : say('tray.tgw_none'));
  const found = tgwOf();
  const good = found >= 0.5 && found <= 2000;
  text(byId('tgw-result'), Number.isFinite(found) ? say(good ? 'tray.tgw_is' : 'tray.tgw_wrong', { tgw: fixed(found, 1) }) : '');
  byId('tgw-send').disabled = !good;
}

function sendTgw() {
  const values = readAll(TGW);
  if (!values) return;
  asks.tell({ entry: 'crop', ...values }, say('tray.told_tgw', { tgw: fixed(tgwOf(), 1) }));
  for (const id of Object.values(TGW)) byId(id).value = '';
  renderTgw();
}

export function start() {
  byId('tgw-fields').append(
    field({ id: 'tgw-grains', label: say('tray.tgw_grains'), least: 1, most: 1e6, wholly: true, required: true }),
    field({ id: 'tgw-mass', label: say('tray.tgw_mass'), least: 0.001, most: 1e6, fine: true, required: true }),
  );
  byId('tgw-fields').addEventListener('input', renderTgw);
  byId('tgw-send').addEventListener('click', sendTgw);
  preview.watch(byId('tgw-fields'), byId('tgw-would'), () => {
    const values = readAll(TGW);
    return values && { entry: 'crop', ...values };
  });
  asks.onBack((entry) => {
    if (entry.entry !== 'crop' || !('grains' in entry) || byId('tgw-grains').value !== '') return;
    for (const [key, id] of Object.entries(TGW)) byId(id).value = plain(entry[key]);
    renderTgw();
  });
  byId('tray-down').addEventListener('click', down);
  trayform.start();
  trayresult.start();
  asks.onAnswer(renderMark);
  on('entering', renderMark);
  onInForce(() => {
    renderMark();
    renderTgw();
  });
  onShow('tray', read);
}
