// Present values: the same table as the page came with, fetched anew when something has changed.

/**
 * @param {string} site
 * @param {HTMLElement} holder
 * @returns {() => void} to call when a regulator of the site has changed
 */
export function present(site, holder) {
  let busy = false;
  let again = false;
  return async function refresh() {
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    try {
      const answer = await fetch(`/site/${site}/now`);
      // The table is drawn and escaped by the server; a link under the keyboard is not taken away.
      if (answer.ok && !holder.querySelector(':focus')) holder.innerHTML = await answer.text();
    } catch {
      // The line about live updates says that the server is away.
    } finally {
      busy = false;
      if (again) {
        again = false;
        refresh();
      }
    }
  };
}
