// The counts of each input while a screen that shows them is in sight: asked for each second, told to who listens.
import { current, onShow } from './navigation.js';
import { read } from '../lib/read.js';

const EVERY_MS = 1_000;
const SLOW_MS = 4_000;

const hearers = [];
const screens = new Set();
let timer = null;
let seen = new Set();

export const FRESH_S = 5;

// `hear(told, fresh)`: the answer of /counts with the seconds not told before, or an error.
export function whileShown(screen, hear) {
  hearers.push([screen, hear]);
  screens.add(screen);
  onShow(screen, look);
}

async function look() {
  clearTimeout(timer);
  if (!screens.has(current()) || document.hidden) return;
  let told = null;
  let fault = null;
  try {
    told = await read('counts');
  } catch (error) {
    fault = error;
  }
  clearTimeout(timer);
  if (!screens.has(current())) return;
  const fresh = told ? told.seconds.filter((one) => !seen.has(one.key)) : [];
  if (told) seen = new Set(told.seconds.map((one) => one.key));
  for (const [screen, hear] of hearers) if (screen === current()) hear(told, fresh, fault);
  timer = setTimeout(look, fault ? SLOW_MS : EVERY_MS);
}

document.addEventListener('visibilitychange', look);
