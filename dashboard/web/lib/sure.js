// What one touch can't take back counts with its second touch: a bump in a field must not do it.
import { text } from './dom.js';

const SURE_MS = 6_000;

// Whether this touch is the second one. After the first, `place` (in the button) says `words` for some seconds.
export function sure(button, place, words) {
  if (button.dataset.sure !== undefined) {
    button.unsure();
    return true;
  }
  const was = place.textContent;
  const timer = setTimeout(() => button.unsure(), SURE_MS);
  button.dataset.sure = 'asked';
  button.unsure = () => {
    clearTimeout(timer);
    delete button.dataset.sure;
    text(place, was);
  };
  text(place, words);
  return false;
}

// The first touch is forgotten: something else was touched, or what it was about is no longer so.
export const unsure = (button) => button.unsure?.();
