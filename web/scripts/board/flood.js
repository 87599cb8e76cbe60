// The panel of an alarm flood: drawn by the server, fetched anew when it has changed, but not at every alarm of it.

/** At most once in this time. */
const REST_MS = 2000;

/**
 * @param {HTMLElement} holder
 * @returns {(key: string | undefined) => void} to call with what the server says of the flood
 */
export function flood(holder) {
  const said = document.getElementById('flood-said');
  let wanted = holder.dataset.key;
  let resting = false;

  async function show() {
    if (resting || wanted === holder.dataset.key) return;
    resting = true;
    setTimeout(() => {
      resting = false;
      show();
    }, REST_MS);
    try {
      const answer = await fetch('/flood');
      // It is drawn and escaped by the server; a link under the keyboard is not taken away.
      if (answer.ok && !holder.querySelector(':focus')) {
        holder.innerHTML = await answer.text();
        holder.dataset.key = answer.headers.get('x-flood') ?? '';
        // Said once when it begins and once when it ends, not at every number.
        const words = holder.dataset.key ? 'An alarm flood goes on.' : 'No alarm flood any more.';
        if (said.textContent !== words) said.textContent = words;
      }
    } catch {
      // The line about live updates says that the server is away.
    }
  }

  return (key) => {
    wanted = key ?? '';
    show();
  };
}
