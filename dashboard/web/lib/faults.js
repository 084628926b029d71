// What goes wrong inside the page: one part that fails must neither stop the others nor be hidden.
import { byId, text } from './dom.js';
import { say } from './format.js';

const failed = new Set();

// A fault of ours: whole on the console, in a line on the page.
export function report(where, fault) {
  console.error(`${where}:`, fault);
  failed.add(where);
  byId('broken').hidden = false;
  text(byId('broken'), say('page.broken', { where: [...failed].join(', ') }));
}

// The same call, whose fault is reported and goes no further.
export const guarded = (where, call) => (...given) => {
  try {
    return call(...given);
  } catch (fault) {
    report(where, fault);
    return undefined;
  }
};
