// Day and night by hand: a browser has no ambient light sensor.
import { byId, mark, reshape, text } from '../lib/dom.js';
import { say } from '../lib/format.js';

const hearers = [];

export const isNight = () => document.documentElement.dataset.theme === 'night';
export const onTheme = (hear) => hearers.push(hear);

function show() {
  const button = byId('theme');
  mark(button, 'aria-pressed', String(isNight()));
  text(byId('theme-word'), say(isNight() ? 'bar.day' : 'bar.night'));
  reshape(button.querySelector('svg'), isNight() ? 'sun' : 'moon');
}

function turn() {
  document.documentElement.dataset.theme = isNight() ? 'day' : 'night';
  try {
    localStorage.setItem('tailgrain-theme', document.documentElement.dataset.theme);
  } catch {
    // Not remembered, yet turned.
  }
  show();
  hearers.forEach((hear) => hear());
}

export function start() {
  byId('theme').addEventListener('click', turn);
  show();
}
