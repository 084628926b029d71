// A chart over speed as SVG: a curve in its hatched interval, single points with theirs, the limit, the present speed.
import { fixed } from '../../lib/format.js';

const SVG = 'http://www.w3.org/2000/svg';
const HEIGHT = 280;
const NARROWEST = 260;
const LEFT = 64;
const RIGHT = 16;
const TOP = 14;
const BOTTOM = 54;

function put(host, tag, attributes, words) {
  const one = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) one.setAttribute(name, typeof value === 'number' ? value.toFixed(1) : value);
  if (words !== undefined) one.textContent = words;
  host.append(one);
  return one;
}

// Round values from `from` to `to`, about `wanted` of them.
function ticks(from, to, wanted) {
  const rough = (to - from) / wanted;
  const ten = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((n) => n * ten).find((n) => n >= rough);
  const found = [];
  for (let at = Math.ceil(from / step - 1e-9) * step; at <= to + 1e-9 * step; at += step) found.push(at);
  return { step, at: found };
}

export function chart(host, { curve, seen, limit, now, best, unit, name }) {
  const WIDTH = Math.max(NARROWEST, host.clientWidth);
  const svg = document.createElementNS(SVG, 'svg');
  svg.setAttribute('viewBox', `0 0 ${WIDTH} ${HEIGHT}`);
  svg.setAttribute('class', 'speed-chart');
  svg.setAttribute('role', 'img');
  svg.setAttribute('aria-label', name);
  const all = [...curve, ...seen];
  const xs = all.map((one) => one.x);
  const first = Math.min(...xs) - 0.4;
  const last = Math.max(...xs) + 0.4;
  const highest = Math.max(...all.map((one) => one.high ?? one.y), limit ?? 0);
  const up = ticks(0, highest * 1.08 || 1, 4);
  const top = up.step * Math.ceil((highest * 1.04 || 1) / up.step);
  const x = (value) => LEFT + ((value - first) / (last - first)) * (WIDTH - LEFT - RIGHT);
  const y = (value) => HEIGHT - BOTTOM - (Math.min(value, top) / top) * (HEIGHT - TOP - BOTTOM);
  const id = `hatch-${host.id}`;
  const pattern = put(put(svg, 'defs', {}), 'pattern', { id, width: '8', height: '8', patternUnits: 'userSpaceOnUse', patternTransform: 'rotate(45)' });
  put(pattern, 'path', { d: 'M0 0V8', class: 'hatch' });
  if (best) put(svg, 'rect', { class: 'best', x: x(best[0]), width: Math.max(3, x(best[2]) - x(best[0])), y: TOP, height: HEIGHT - TOP - BOTTOM });
  const banded = curve.filter((one) => Number.isFinite(one.low) && Number.isFinite(one.high));
  if (banded.length > 1) {
    const there = banded.map((one) => `${x(one.x).toFixed(1)} ${y(one.high).toFixed(1)}`);
    const back = banded.map((one) => `${x(one.x).toFixed(1)} ${y(one.low).toFixed(1)}`).reverse();
    put(svg, 'path', { class: 'band', d: `M${there.join('L')}L${back.join('L')}Z`, fill: `url(#${id})` });
  }
  if (curve.length > 1) {
    const d = `M${curve.map((one) => `${x(one.x).toFixed(1)} ${y(one.y).toFixed(1)}`).join('L')}`;
    put(svg, 'path', { class: 'halo', d });
    put(svg, 'path', { class: 'curve', d });
  }
  if (limit !== null) put(svg, 'path', { class: 'limit', d: `M${LEFT} ${y(limit).toFixed(1)}H${WIDTH - RIGHT}` });
  for (const one of seen) {
    put(svg, 'path', { class: 'whisker', d: `M${x(one.x).toFixed(1)} ${y(one.low).toFixed(1)}V${y(one.high).toFixed(1)}` });
    put(svg, 'rect', { class: 'seen', x: x(one.x) - 7, y: y(one.y) - 7, width: 14, height: 14 });
  }
  if (Number.isFinite(now) && now >= first && now <= last) {
    put(svg, 'path', { class: 'now-line', d: `M${x(now).toFixed(1)} ${TOP}V${HEIGHT - BOTTOM}` });
    put(svg, 'path', { class: 'now-mark', d: `M${(x(now) - 10).toFixed(1)} ${HEIGHT - BOTTOM + 14}h20l-10 -14z` });
  }
  put(svg, 'path', { class: 'axis', d: `M${LEFT} ${TOP}V${HEIGHT - BOTTOM}H${WIDTH - RIGHT}` });
  for (const at of ticks(0, top, 4).at) put(svg, 'text', { class: 'tick end', x: LEFT - 8, y: y(at) + 7 }, fixed(at, up.step < 1 ? 1 : 0));
  const across = ticks(first, last, WIDTH < 420 ? 5 : 7);
  for (const at of across.at) put(svg, 'text', { class: 'tick middle', x: x(at), y: HEIGHT - 22 }, fixed(at, across.step < 1 ? 1 : 0));
  put(svg, 'text', { class: 'tick end', x: WIDTH - RIGHT, y: HEIGHT - 3 }, unit);
  host.replaceChildren(svg);
}
