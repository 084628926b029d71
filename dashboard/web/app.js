// The page: what is on every screen, then the screens. `screens.js` is written by the server out of its table of screens
// (dashboard/serve/screens.py): each is a folder with a module of its name that has a `start`.
import * as alerts from './page/alerts.js';
import * as asks from './page/asks.js';
import * as asktwice from './entries/asktwice.js';
import * as bar from './page/bar.js';
import { on } from './lib/facts.js';
import { guarded } from './lib/faults.js';
import * as fresh from './page/fresh.js';
import * as inforce from './page/inforce.js';
import * as line from './page/line.js';
import * as moving from './page/moving.js';
import * as navigation from './page/navigation.js';
import * as pin from './page/pin.js';
import * as question from './entries/question.js';
import screens from './screens.js';
import * as sound from './page/sound.js';
import * as takeback from './entries/takeback.js';
import * as theme from './page/theme.js';
import * as units from './lib/units.js';

const EVERYWHERE = { theme, bar, units, moving, navigation, pin, inforce, sound, alerts, question, asktwice, takeback, asks, fresh };
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
