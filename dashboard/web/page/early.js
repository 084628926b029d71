// Before anything is painted: a white flash at night blinds.
try {
  if (localStorage.getItem('tailgrain-theme') === 'night') document.documentElement.dataset.theme = 'night';
} catch {
  // A browser that keeps nothing shows the day theme.
}
