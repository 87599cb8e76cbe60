// Before the first paint: the reader's own choice of light or dark, where they made one.
const KEY = 'tapkeeper-theme';
try {
  const theme = localStorage.getItem(KEY);
  if (theme === 'light' || theme === 'dark') document.documentElement.dataset.theme = theme;
} catch {
  // storage may be forbidden; the system's preference then stands
}
