// The screen "Now": what is lost at this moment, against its limit, and what it depends on.
import * as calibration from './calibration.js';
import * as cells from './cells.js';
import * as figure from './figure.js';
import * as guide from './guide.js';
import * as trail from './trail.js';
import * as width from './width.js';

export function start() {
  for (const part of [figure, guide, cells, calibration, width, trail]) part.start();
}
