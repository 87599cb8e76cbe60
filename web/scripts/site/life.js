// Why it taps and where it stands: drawn by the server for the range, and fetched anew when that changes.
const PAUSE = 600;

/**
 * @param {string} site
 * @param {HTMLElement} holder
 * @returns {(query: string) => void} to call with the query of a new range
 */
export function life(site, holder) {
  let timer = 0;
  let wanted = '';
  return function want(query) {
    if (query === wanted) return;
    wanted = query;
    clearTimeout(timer);
    timer = setTimeout(async () => {
      try {
        const answer = await fetch(`/site/${site}/life?${query}`);
        const text = await answer.text();
        // Drawn and escaped by the server; a link under the keyboard is not taken away.
        if (answer.ok && query === wanted && !holder.querySelector(':focus')) holder.innerHTML = text;
      } catch {
        // The line about live updates says that the server is away.
      }
    }, PAUSE);
  };
}
