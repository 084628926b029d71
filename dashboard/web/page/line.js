// The line from the dashboard: server-sent events, one line a page, watched, and opened anew when it is dead.
import { put } from '../lib/facts.js';
import * as sound from './sound.js';

const SILENT_MS = 12_000; // the server speaks at least every 5 s
const AGAIN_MS = 2_000;

let source = null;
let heard = -Infinity;
let opened = -Infinity;
let loaded = null;
const told = new Set(); // topics that came over the line

export function isOpen() {
  return source !== null && source.readyState === EventSource.OPEN && performance.now() - heard < SILENT_MS;
}

function take(event) {
  heard = performance.now();
  const { topic, value, age_s: ageS } = JSON.parse(event.data);
  if (topic === 'line') return;
  if (topic === 'topics') return forget(value);
  if (topic === 'kit') {
    // Another version of the page lies on the server, or it shows other units (what is typed would change its meaning): load it.
    const now = [value.assets, value.units, value.bushel_lb].join();
    if (loaded !== null && loaded !== now) location.reload();
    loaded = now;
  }
  told.add(topic);
  put(topic, value, ageS);
}

// A line begins with the topics that hold something. What ended while nobody listened is over; the last second stays, for
// its age is shown with it.
function forget(live) {
  for (const topic of [...told].filter((one) => one !== 'live' && !live.includes(one))) {
    told.delete(topic);
    put(topic, null);
  }
}

function close() {
  source?.close();
  source = null;
}

function open() {
  close();
  opened = performance.now();
  heard = opened;
  source = new EventSource('/events');
  source.addEventListener('message', take);
}

// A browser has six lines to one server; a hidden page gives its own back, unless it is to sound. Without a line it is
// silent: it can't know what still calls.
const rests = () => document.hidden && sound.state() !== 'on';

function turn() {
  if (rests()) {
    close();
    sound.call(null);
  } else if (!document.hidden || !isOpen()) open(); // a waking one does not wait, and trusts no line that slept
}

function watch() {
  if (rests()) return;
  const now = performance.now();
  const dead = source === null || source.readyState === EventSource.CLOSED || now - heard > SILENT_MS;
  if (dead && now - opened > AGAIN_MS) open();
}

export function start() {
  open();
  setInterval(watch, 500);
  document.addEventListener('visibilitychange', turn);
  sound.onChange(() => document.hidden && turn());
  window.addEventListener('pagehide', close);
}
