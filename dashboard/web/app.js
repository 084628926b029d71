// The page: what is on every screen, then the screens. `screens.js` is written by the server out of the files in
// `screens/`: a further screen is a fragment there and a module of its name with a `start`.
import * as alerts from './alerts.js';
import * as asks from './asks.js';
import * as bar from './bar.js';
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

const EVERYWHERE = [theme, bar, units, moving, navigation, pin, inforce, sound, alerts, asks, fresh];

for (const part of [...EVERYWHERE, ...screens]) part.start();
line.start();
