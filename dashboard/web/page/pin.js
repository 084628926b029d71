// May this browser enter? With a PIN set it must be typed once; the server keeps the session, this page only asks.
import { byId, text } from '../lib/dom.js';
import { on, put } from '../lib/facts.js';
import { say } from '../lib/format.js';
import { read } from '../lib/read.js';

const AGAIN_MS = 5_000;
const LIMIT_MS = 15_000;
let timer = null;

async function look() {
  clearTimeout(timer);
  try {
    put('entering', await read('pin', {}, AbortSignal.timeout?.(LIMIT_MS)));
  } catch {
    timer = setTimeout(look, AGAIN_MS);
  }
}

async function unlock(event) {
  event.preventDefault();
  const field = byId('pin-field');
  try {
    const answer = await fetch('/pin', {
      method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ pin: field.value }), signal: AbortSignal.timeout?.(LIMIT_MS),
    });
    const { ok, why } = await answer.json();
    text(byId('pin-why'), ok ? '' : say('pin.refused', { why }));
  } catch {
    text(byId('pin-why'), say('asks.offline'));
  }
  field.value = '';
  look();
}

function show(entering) {
  byId('door').hidden = entering.allowed;
  byId('pin-box').hidden = !entering.pin;
  if (entering.allowed) byId('pin-box').open = false;
  const off = byId('entering-off');
  off.hidden = entering.allowed || entering.pin;
  text(off, off.hidden ? '' : say('asks.off', { why: entering.why }));
}

// The server said no to an entry: the session has ended.
export const again = look;

export function start() {
  byId('pin').addEventListener('submit', unlock);
  on('entering', show);
  on('kit', look);
}
