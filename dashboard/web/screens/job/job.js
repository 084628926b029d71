// The screen "Job": the job that is open, what belongs to it (limits, residue, looks, typed entries), what was entered, past jobs.
import * as jobentered from './entered.js';
import * as jobforms from './forms.js';
import * as joblist from './list.js';
import * as jobtaps from './taps.js';
import { read } from '../../page/inforce.js';
import { onShow } from '../../page/navigation.js';

export function start() {
  for (const part of [joblist, jobtaps, jobforms, jobentered]) part.start();
  onShow('job', read);
}
