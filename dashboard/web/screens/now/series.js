// The ribbon's figures: bins of equal width from the server, and the live seconds put on top. Pure, no document.
const NAMES = ['kg_ha', 'low', 'high', 'limit_kg_ha', 'pulses_per_s'];
const AHEAD = 15; // live seconds kept for the moment a history arrives

export function pulsesOf(live) {
  const rates = Object.values(live.pulses_per_s).filter((rate) => rate !== null);
  return rates.length ? rates.reduce((sum, rate) => sum + rate, 0) : null;
}

function figuresOf(live) {
  const loss = live.loss ?? {};
  return {
    t: Date.parse(live.t) / 1000,
    kg_ha: loss.kg_ha ?? null, low: loss.low ?? null, high: loss.high ?? null,
    limit_kg_ha: live.limit_kg_ha ?? null,
    // Outside steady work pulses say nothing of loss.
    pulses_per_s: live.state === 'working' ? pulsesOf(live) : null,
  };
}

export class Series {
  constructor() {
    this.recent = [];
    this.clear(10);
  }

  clear(minutes) {
    this.minutes = minutes;
    this.step = 1;
    this.t = [];
    this.until = -Infinity;
    for (const name of NAMES) this[name] = [];
    this.counted = {};
  }

  // A history of the server; live seconds newer than it are put on top again.
  load(history) {
    this.clear(history.minutes);
    this.step = history.step_s;
    this.t = history.t;
    for (const name of NAMES) {
      this[name] = history[name];
      this.counted[name] = history[name].length && history[name].at(-1) !== null ? history.filled : 0;
    }
    this.until = history.until ?? -Infinity;
    for (const second of this.recent) if (second.t > this.until) this.#add(second);
  }

  take(live) {
    const second = figuresOf(live);
    if (!Number.isFinite(second.t)) return;
    this.recent = [...this.recent.slice(-AHEAD), second];
    // A clock that stepped back: what follows is a time of its own; the server sorts it out at the next load.
    if (second.t <= this.until) return;
    this.#add(second);
  }

  #add(second) {
    this.until = second.t;
    const end = Math.ceil(second.t / this.step) * this.step;
    if (this.t.at(-1) === end) {
      for (const name of NAMES) this.#merge(name, second[name]);
    } else {
      // Nobody knows what was lost in a gap: no line may cross it.
      if (this.t.length && end - this.t.at(-1) > this.step) {
        this.t.push(this.t.at(-1) + this.step);
        for (const name of NAMES) this[name].push(null);
      }
      this.t.push(end);
      for (const name of NAMES) {
        this[name].push(second[name]);
        this.counted[name] = second[name] === null ? 0 : 1;
      }
    }
    const oldest = second.t - this.minutes * 60;
    while (this.t.length && this.t[0] <= oldest) {
      this.t.shift();
      for (const name of NAMES) this[name].shift();
    }
  }

  // Running mean of the newest bin over the seconds that have a figure.
  #merge(name, value) {
    if (value === null) return;
    const last = this[name].length - 1;
    const n = this.counted[name];
    this[name][last] = n === 0 ? value : this[name][last] + (value - this[name][last]) / (n + 1);
    this.counted[name] = n + 1;
  }
}

export function summary(values) {
  const known = values.filter((value) => value !== null);
  if (!known.length) return null;
  const sum = known.reduce((total, value) => total + value, 0);
  return { mean: sum / known.length, low: Math.min(...known), high: Math.max(...known) };
}

// Mean and variance of the mean of the bins in (from, to].
function spell(series, from, to) {
  const inside = series.pulses_per_s.filter((value, i) => value !== null && series.t[i] > from && series.t[i] <= to);
  if (inside.length < 3) return null;
  const mean = inside.reduce((sum, value) => sum + value, 0) / inside.length;
  const spread = inside.reduce((sum, value) => sum + (value - mean) ** 2, 0) / (inside.length - 1);
  return { mean, variance: spread / inside.length, covered: inside.length * series.step };
}

// Did the pulse rate of the last half minute leave that of the two minutes before? By two and a half standard errors
// of the difference, since it is looked at all the time. Null: too little to say.
export function trend(series) {
  const end = series.until;
  const now = spell(series, end - 30, end);
  const before = spell(series, end - 150, end - 30);
  if (!now || !before || now.covered < 20 || before.covered < 80) return null;
  const difference = now.mean - before.mean;
  const clear = Math.abs(difference) > 2.5 * Math.sqrt(now.variance + before.variance) && Math.abs(difference) > 0.02 * before.mean;
  return { way: clear ? (difference > 0 ? 'rising' : 'falling') : 'steady', now: now.mean, before: before.mean };
}
