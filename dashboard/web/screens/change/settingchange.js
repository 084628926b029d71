// A change of a setting: as an entry, in words, and the newest one in force.
import { say } from '../../lib/format.js';
import { inForce } from '../../page/inforce.js';
import * as machine from '../../page/machine.js';

// The changes of machine settings; the lag is the kit's own, and telling where something stands changes nothing.
export const changes = () => (inForce()?.changes ?? []).filter((one) => one.what !== 'lag_s' && one.from !== null && one.from !== one.to);

export const lastChange = () => changes().at(-1) ?? null;

export function inWords(what, name, from, to) {
  const known = { name: machine.nameOf(what, name), from: machine.figure(what, from), to: machine.withUnit(what, to) };
  return from === null || from === undefined ? say('change.told_first', known) : say('change.told', known);
}

export function entryOf(what, from, to, name = null) {
  const entry = { entry: 'setting', what, to };
  if (name) entry.name = name;
  if (from !== null && from !== undefined) entry.from = typeof from === 'number' ? Math.round(from * 1000) / 1000 : from;
  return entry;
}
