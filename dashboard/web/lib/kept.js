// What this browser keeps over a reload. It may be missing, forbidden, damaged or of another version of the page: each
// item is read by itself, and one of a wrong shape counts as none.
export function recall(key, fits) {
  try {
    const found = JSON.parse(localStorage.getItem(key));
    return fits(found) ? found : null;
  } catch {
    return null;
  }
}

export function remember(key, value) {
  try {
    localStorage.setItem(key, JSON.stringify(value));
    return true;
  } catch {
    return false; // then it lives as long as the page
  }
}

export const isObject = (value) => typeof value === 'object' && value !== null && !Array.isArray(value);
