// The kit's clock. Ages of what stands in the record are reckoned by it: this device may go a minute before or behind.
import { ageOf, get } from './facts.js';

export function nowS() {
  const live = get('live');
  const t = live ? Date.parse(live.t) / 1000 : NaN;
  return Number.isFinite(t) ? t + ageOf('live') : Date.now() / 1000;
}
