// What entries have put in force, read anew when one is kept or a screen that needs it comes into sight.
import { onAnswer } from './asks.js';
import { on } from '../lib/facts.js';
import { guarded } from '../lib/faults.js';
import { read as ask } from '../lib/read.js';

const SOON_MS = 400;    // entries are on disk before they are answered
const AGAIN_MS = 4_000;
const LIMIT_MS = 10_000; // one that hangs must not hold up all that follow

let known = null;
let timer = null;
let reading = false;
let due = false;
const hearers = [];

export const inForce = () => known;

export function onInForce(hear) {
  const call = guarded('in-force', hear);
  hearers.push(call);
  if (known) call(known);
}

export async function read() {
  if (reading) {
    due = true;
    return;
  }
  clearTimeout(timer);
  reading = true;
  due = false;
  try {
    known = await ask('in-force', {}, AbortSignal.timeout?.(LIMIT_MS));
    hearers.forEach((hear) => hear(known));
  } catch {
    timer = setTimeout(read, AGAIN_MS);
  }
  reading = false;
  if (due) read();
}

export function soon() {
  clearTimeout(timer);
  timer = setTimeout(read, SOON_MS);
}

export function start() {
  on('entry', soon);
  on('broker', (broker) => broker?.connected && soon());
  onAnswer((_, answer) => answer?.ok && read());
  read();
}
