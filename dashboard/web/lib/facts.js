// What is known now, by topic, and who wants to hear of changes.
import { guarded } from './faults.js';

const values = new Map();
const hearers = new Map();

// When a value was new on this device: two clocks, for one of them may stand still in sleep and the other may step.
function stamp(ageS) {
  return { steady: performance.now() - ageS * 1000, wall: Date.now() - ageS * 1000 };
}

export function put(topic, value, ageS = 0) {
  if (value === null) values.delete(topic);
  else values.set(topic, { value, at: stamp(ageS) });
  const group = topic.split('/')[0];
  // Who begins to listen in the middle of this hears it too: screens begin with the first `kit`.
  for (const hear of hearers.get(group) ?? []) hear(value, topic);
}

export function get(topic) {
  return values.get(topic)?.value ?? null;
}

export function below(prefix) {
  return [...values].filter(([topic]) => topic.startsWith(prefix)).map(([topic, { value }]) => [topic.slice(prefix.length), value]);
}

// Seconds since the value was new; Infinity when there is none.
export function ageOf(topic) {
  const known = values.get(topic);
  if (!known) return Infinity;
  return Math.max(0, performance.now() - known.at.steady, Date.now() - known.at.wall) / 1000;
}

export function on(group, hear) {
  if (!hearers.has(group)) hearers.set(group, []);
  hearers.get(group).push(guarded(group, hear));
}
