// The screen "Change": one setting at a time, its verdict, the advice in force, and the to and fro that settles a doubt.
import * as advice from './advice.js';
import { read } from '../../page/inforce.js';
import { onShow } from '../../page/navigation.js';
import * as steppers from './steppers.js';
import * as toandfro from './toandfro.js';
import * as verdict from './verdict.js';

export function start() {
  for (const part of [verdict, steppers, advice, toandfro]) part.start();
  onShow('change', read);
}
