// The screen "Now": what is lost at this moment, against its limit, and what it depends on.
import * as calibration from './calibration.js';
import * as cells from './cells.js';
import { byId } from '../../lib/dom.js';
import * as figure from './figure.js';
import * as guide from './guide.js';
import * as trail from './trail.js';
import * as width from './width.js';

const WIDE = window.matchMedia('(min-width: 1100px)');

// Beside the figure where there is room, else right under it, above the ribbon: in sight and in the order of the keys.
function placeWidth() {
  if (WIDE.matches) byId('calibration').before(byId('width'));
  else byId('figure').after(byId('width'));
}

export function start() {
  placeWidth();
  WIDE.addEventListener('change', placeWidth);

  for (const part of [figure, guide, cells, calibration, width, trail]) part.start();
}
