// A screen that a test adds: it reads a path of its own and says what came.
import { byId, text } from '../../lib/dom.js';
import { say } from '../../lib/format.js';
import { read } from '../../lib/read.js';
import { onShow } from '../../page/navigation.js';

async function show() {
  const told = await read('toy');
  text(byId('toy-said'), say('toy.said', { seconds: told.seconds }));
}

export function start() {
  onShow('toy', show);
}
