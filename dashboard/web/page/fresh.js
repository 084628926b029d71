// Is what stands on the page true now? Says so, how old it is, and which link is broken.
import { byId, mark, text } from '../lib/dom.js';
import { ageOf, get, on } from '../lib/facts.js';
import { age, say } from '../lib/format.js';
import { read } from '../lib/read.js';
import * as line from './line.js';

export const STALE_S = 3;
const RECORD_EVERY_MS = 4_000;
const RECORD_IS_NEW_S = 10;

// Without messages only the record can tell that the kit goes on (what it last said of itself may be its will, handed out as the
// messages ended); nothing good is said of it before it was looked at.
let recording = false;
let looked = -Infinity;

async function lookAtRecord() {
  looked = performance.now();
  try {
    const { age_s: ageS } = await read('counts');
    recording = ageS !== null && ageS < RECORD_IS_NEW_S;
  } catch {
    recording = false;
  }
}

// The first broken link on the road from the kit to this page, or nothing.
function broken(old) {
  if (!line.isOpen()) return say('stale.line');
  const broker = get('broker');
  if (broker && !broker.connected) {
    if (performance.now() - looked > RECORD_EVERY_MS) lookAtRecord();
    if (!get('live')) return say('stale.broker_first');
    return say(recording ? 'stale.broker_recording' : 'stale.broker');
  }
  recording = false;
  const presence = get('presence');
  if (presence && !presence.online) return say('stale.kit');
  if (!presence && !get('live')) return say('stale.kit_never', { machine: get('kit')?.machine ?? '' });
  return old ? say('stale.silent') : '';
}

function look() {
  const seconds = ageOf('live');
  const known = Number.isFinite(seconds);
  const old = seconds > STALE_S;
  const why = broken(old);
  const root = document.documentElement;
  mark(root, 'data-stale', old ? 'yes' : null);
  const banner = byId('stale');
  const show = old || why !== '';
  if (banner.hidden === show) banner.hidden = !show;
  if (!show) return;
  text(byId('stale-title'), say(known ? 'stale.title' : 'stale.none_title'));
  byId('stale-title').hidden = !old;
  text(byId('stale-age'), known && old ? say('stale.age', { age: age(seconds) }) : '');
  text(byId('stale-why'), why);
}

export function start() {
  setInterval(look, 250);
  for (const topic of ['live', 'broker', 'presence']) on(topic, look);
}
