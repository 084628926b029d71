// The screen "Job": the job that is open, what belongs to it (limits, residue, looks, typed entries), and past jobs.
import * as jobforms from './jobforms.js';
import * as joblist from './joblist.js';
import * as jobtaps from './jobtaps.js';
import { read } from './inforce.js';
import { onShow } from './navigation.js';

export function start() {
  for (const part of [joblist, jobtaps, jobforms]) part.start();
  onShow('job', read);
}
