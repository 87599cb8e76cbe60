// A button that goes from the present look to the other and remembers it.
const KEY = 'tapkeeper-theme';

const system = matchMedia('(prefers-color-scheme: dark)');

/** The look that is shown now. */
export function theme() {
  return document.documentElement.dataset.theme ?? (system.matches ? 'dark' : 'light');
}

/** @param {HTMLButtonElement | null} button */
export function themeSwitch(button) {
  if (!button) return;
  const say = () => {
    button.textContent = theme() === 'dark' ? 'Light' : 'Dark';
    button.setAttribute('aria-label', `Change to the ${theme() === 'dark' ? 'light' : 'dark'} look`);
  };
  button.hidden = false;
  button.addEventListener('click', () => {
    const next = theme() === 'dark' ? 'light' : 'dark';
    document.documentElement.dataset.theme = next;
    try {
      localStorage.setItem(KEY, next);
    } catch {
      // not remembered, then
    }
    say();
    document.dispatchEvent(new Event('themechange'));
  });
  system.addEventListener('change', () => {
    say();
    document.dispatchEvent(new Event('themechange'));
  });
  say();
}
