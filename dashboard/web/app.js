// The page: what is on every screen, then the screens. `screens.js` is written by the server out of the files in
// `screens/`: a further screen is a fragment there and a module of its name with a `start`.
import * as alerts from './alerts.js';
import * as asks from './asks.js';
import * as bar from './bar.js';
import { on } from './facts.js';
import { guarded } from './faults.js';
import * as fresh from './fresh.js';
import * as inforce from './inforce.js';
import * as line from './line.js';
import * as moving from './moving.js';
import * as navigation from './navigation.js';
import * as pin from './pin.js';
import screens from './screens.js';
import * as sound from './sound.js';
import * as theme from './theme.js';
import * as units from './units.js';

const EVERYWHERE = { theme, bar, units, moving, navigation, pin, inforce, sound, alerts, asks, fresh };
const names = [...document.querySelectorAll('main > .screen')].map((one) => one.dataset.screen);

// Screens begin once the kit is known: a field that is filled in before its unit is known takes feet for metres.
let begun = false;

function begin(kit) {
  if (begun || !kit) return;
  begun = true;
  screens.forEach((screen, i) => guarded(names[i], screen.start)());
}

for (const [name, part] of Object.entries(EVERYWHERE)) guarded(name, part.start)();
on('kit', begin);
line.start();
