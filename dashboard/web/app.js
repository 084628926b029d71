// The page: what is on every screen, then the screens. A further screen is one more module with a `start` here and one
// more <section class="screen"> in index.html.
import * as alerts from './alerts.js';
import * as asks from './asks.js';
import * as bar from './bar.js';
import * as fresh from './fresh.js';
import * as line from './line.js';
import * as now from './now.js';
import * as pin from './pin.js';
import * as theme from './theme.js';

const EVERYWHERE = [theme, bar, pin, alerts, asks, fresh];
const SCREENS = [now];

for (const part of [...EVERYWHERE, ...SCREENS]) part.start();
line.start();
