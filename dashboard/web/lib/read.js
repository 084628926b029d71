// A question to the dashboard: the answer's object, or an error whose message says why there is none.
import { say } from './format.js';

const LIMIT_MS = 70_000;

export async function read(path, asked = {}, signal = AbortSignal.timeout?.(LIMIT_MS)) {
  const query = new URLSearchParams(asked).toString();
  let answer;
  let body;
  try {
    answer = await fetch(query ? `/${path}?${query}` : `/${path}`, { signal });
    body = await answer.json();
  } catch (fault) {
    throw new Error(say('asks.offline'), { cause: fault });
  }
  if (!answer.ok) throw new Error(body.why);
  return body;
}

// What somebody typed as a number: a comma counts as a point; NaN when it is none.
export function typed(field) {
  const text = field.value.trim().replace(',', '.');
  return text === '' ? NaN : Number(text);
}
