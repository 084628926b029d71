// Whether the machine is at rest, by what the kit counts: at a sensor nobody has anything to do while it runs or drives, and
// what a sensor then counts says nothing of taps or of a clean window.
import { ageOf, get } from './facts.js';

const DRIVES_KMH = 1;
const LIVE_IS_NEWS_S = 10;
const RUN_DOWN_S = 10; // fan and rotor run on

// The speed that the kit tells, where no wheel sensor says it.
const speed = (told) => (told.inputs.some((one) => one.reads === 'ground' && one.value !== null) || ageOf('live') > LIVE_IS_NEWS_S
  ? null : get('live')?.speed_kmh ?? null);

export function runs(told) {
  const threshes = told.levels.some((one) => one.means === 'threshing on' && one.on === true);
  const turns = told.inputs.some((one) => one.rests_up_to !== null && one.value > one.rests_up_to);
  return threshes || turns || speed(told) > DRIVES_KMH || ['working', 'filling'].includes(told.seconds.at(-1)?.state);
}

// Follows the answers of /counts: 'runs', 'stopping' (it ran until just now) or 'rests'.
export class Rest {
  #left = 0;

  hear(told, fresh) {
    if (runs(told)) {
      this.#left = RUN_DOWN_S;
      return 'runs';
    }
    this.#left = Math.max(0, this.#left - fresh.length);
    return this.#left > 0 ? 'stopping' : 'rests';
  }
}
