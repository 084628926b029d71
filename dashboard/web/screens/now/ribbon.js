// The drawing of the ribbon: loss as a line on its hatched interval, the limit dashed, marks above. Canvas by uPlot.
/* global uPlot */
import { clock } from '../../lib/format.js';

const HEIGHTS = [[600, 215], [0, 230]];
const TOPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 40, 50, 60, 80, 100, 120, 150, 200, 250, 300, 400, 500, 600, 800, 1000, 1500, 2000, 3000, 5000, 10000, 20000, 50000];
const LANE = 28;
const APART = 30; // a sign is 24 px wide, and its edge 3
const MOST_LANES = 3;
const SIDES = 90; // px beside the drawn span
const FONT = '700 16px system-ui, sans-serif';

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

function hatch(ratio) {
  const size = Math.round(8 * ratio);
  const tile = document.createElement('canvas');
  tile.width = size;
  tile.height = size;
  const pen = tile.getContext('2d');
  pen.strokeStyle = colour('--ink');
  pen.lineWidth = 2 * ratio;
  for (const shift of [-size, 0, size]) {
    pen.moveTo(shift, size);
    pen.lineTo(shift + size, 0);
  }
  pen.stroke();
  return pen.createPattern(tile, 'repeat');
}

// The three marks differ in outline: a diamond, a tray with an open top, a triangle.
const OUTLINES = {
  setting: [[0, -1], [1, 0], [0, 1], [-1, 0]],
  tray: [[-1, -0.8], [-1, 0.8], [1, 0.8], [1, -0.8]],
  alert: [[0, -1], [1.05, 0.85], [-1.05, 0.85]],
};

function symbol(pen, kind, x, y, ratio, number, ink, paper) {
  const r = 12 * ratio;
  pen.beginPath();
  OUTLINES[kind].forEach(([dx, dy], i) => (i ? pen.lineTo(x + dx * r, y + dy * r) : pen.moveTo(x + dx * r, y + dy * r)));
  if (kind !== 'tray') pen.closePath();
  pen.fillStyle = kind === 'alert' ? ink : paper;
  pen.fill();
  pen.lineWidth = 3 * ratio;
  pen.strokeStyle = ink;
  pen.stroke();
  if (number < 1) return;
  pen.font = `800 ${Math.round(13 * ratio)}px system-ui, sans-serif`;
  pen.textAlign = 'center';
  pen.textBaseline = 'middle';
  pen.fillStyle = kind === 'alert' ? paper : ink;
  pen.fillText(String(number), x, y + (kind === 'alert' ? 3 : 0) * ratio);
}

// Rows for marks at `xs` so that no two signs touch; the newest come first, for they are asked about. Lane -1: only a stem.
export function placeMarks(xs, from, to, lanes, ratio = 1) {
  const taken = Array.from({ length: lanes }, () => []);
  const placed = [];
  for (let i = xs.length - 1; i >= 0; i -= 1) {
    const x = xs[i];
    if (x < from || x > to) continue;
    const lane = taken.findIndex((others) => others.every((other) => Math.abs(other - x) >= APART * ratio));
    if (lane >= 0) taken[lane].push(x);
    placed.push({ i, x, lane });
  }
  return placed;
}

export class Ribbon {
  constructor(host, redraw) {
    this.host = host;
    this.redraw = redraw;
    this.plot = null;
    this.marks = [];
    this.top = 10;
    this.from = 0;
    this.to = 1;
    new ResizeObserver(() => this.#fit()).observe(host);
  }

  restyle() {
    this.plot?.destroy();
    this.plot = null;
    this.redraw();
  }

  // `factor`: from kg/ha to what is shown.
  draw(series, pulses, from, to, marks, factor = 1) {
    const lanes = this.#lanes();
    [this.from, this.to, this.marks] = [from, to, marks];
    const scaled = factor === 1 ? (values) => values : (values) => values.map((one) => (one === null ? null : one * factor));
    const value = pulses ? series.pulses_per_s : scaled(series.kg_ha);
    const none = pulses ? value.map(() => null) : null;
    const limit = none ?? scaled(series.limit_kg_ha);
    const low = none ?? scaled(series.low);
    const above = scaled(series.high);
    const most = (values) => values.reduce((max, one) => (one !== null && one > max ? one : max), 0);
    const wanted = 1.08 * Math.max(most(value), none ? 0 : 0.9 * most(above), 1.1 * most(limit));
    this.top = TOPS.find((step) => step >= wanted) ?? wanted;
    // An unknown upper end reaches to the top of the chart.
    const high = none ?? above.map((one, i) => (one === null && low[i] !== null ? this.top : one));
    const data = [series.t, high, low, value, value, limit];
    if (this.plot && lanes === this.#lanes()) this.plot.setData(data);
    else this.#build(data);
  }

  #size() {
    const across = Math.max(240, Math.floor(this.host.clientWidth));
    return { width: across, height: HEIGHTS.find(([from]) => across >= from)[1] };
  }

  // Rows kept free for marks.
  #lanes() {
    if (!this.marks.some((one) => one.at > this.from)) return 0;
    const across = this.host.clientWidth - SIDES;
    const xs = this.marks.map((one) => ((one.at - this.from) / (this.to - this.from)) * across);
    for (let lanes = 1; lanes < MOST_LANES; lanes += 1) {
      if (placeMarks(xs, 0, across, lanes).every(({ lane }) => lane >= 0)) return lanes;
    }
    return MOST_LANES;
  }

  #fit() {
    if (!this.plot) return;
    const size = this.#size();
    if (size.width !== this.plot.width || size.height !== this.plot.height) this.plot.setSize(size);
  }

  #build(data) {
    this.plot?.destroy();
    const ink = colour('--ink');
    const paper = colour('--paper');
    const ratio = window.devicePixelRatio || 1;
    const pattern = hatch(ratio);
    const axis = {
      stroke: ink, font: FONT, grid: { show: false },
      ticks: { show: true, stroke: ink, width: 3, size: 6 }, border: { show: true, stroke: ink, width: 3 },
    };
    const line = { points: { show: false }, spanGaps: false };
    const edge = { ...line, stroke: ink, width: 1.5 };
    this.plot = new uPlot(
      {
        ...this.#size(),
        padding: [LANE * this.#lanes() + 8, 28, 0, 0],
        cursor: { show: false },
        legend: { show: false },
        scales: { x: { time: true, range: () => [this.from, this.to] }, y: { range: () => [0, this.top] } },
        axes: [
          { ...axis, size: 36, space: 80, incrs: [60, 120, 300, 600, 900, 1200, 1800], values: (_, at) => at.map((s) => clock(s * 1000)) },
          { ...axis, size: 62, space: 44 },
        ],
        series: [
          {},
          edge,
          edge,
          { ...line, stroke: paper, width: 9 },
          { ...line, stroke: ink, width: 4 },
          { ...line, stroke: ink, width: 3, dash: [12, 7] },
        ],
        bands: [{ series: [1, 2], fill: () => pattern }],
        hooks: { draw: [(plot) => this.#drawMarks(plot, ink, paper, ratio)] },
      },
      data,
      this.host,
    );
  }

  #drawMarks(plot, ink, paper, ratio) {
    const pen = plot.ctx;
    const { left, top, width, height } = plot.bbox;
    pen.save();
    const placed = placeMarks(this.marks.map((one) => Math.round(plot.valToPos(one.at, 'x', true))), left, left + width, this.#lanes(), ratio);
    const place = (lane) => top - (LANE * (lane + 0.5) + 5) * ratio;
    // All stems first: the stem of a mark in an upper row would cross the sign of one below it.
    pen.setLineDash([3 * ratio, 5 * ratio]);
    pen.lineWidth = 3 * ratio;
    pen.strokeStyle = ink;
    for (const { x, lane } of placed) {
      pen.beginPath();
      pen.moveTo(x, top + height);
      pen.lineTo(x, lane < 0 ? top : place(lane));
      pen.stroke();
    }
    pen.setLineDash([]);
    for (const { i, x, lane } of placed) {
      const one = this.marks[i];
      if (lane >= 0) symbol(pen, one.kind, x, place(lane), ratio, one.number, ink, paper);
    }
    pen.restore();
  }
}
