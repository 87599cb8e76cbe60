// Follows the server's events; goes on where it was after a break, and says when it is cut off.

/** The server sends at least a sign of life every 10 s. */
const SILENCE_MS = 25_000;
/** Before a refused connection is tried again. */
const RETRY_MS = 5000;

/**
 * @param {{since: string, line: HTMLElement, onUpdate: (update: object) => void}} options
 */
export function follow({ since, line, onUpdate }) {
  let source = null;
  let last = since;
  let heard = Date.now();

  function open() {
    source = new EventSource(`/live?since=${encodeURIComponent(last)}`);
    source.addEventListener('rows', (event) => {
      last = event.lastEventId;
      heard = Date.now();
      line.hidden = true;
      document.documentElement.dataset.live = 'yes';
      onUpdate(JSON.parse(event.data));
    });
    source.addEventListener('error', lost);
  }

  function lost() {
    document.documentElement.dataset.live = 'no';
    const time = new Date(heard).toLocaleTimeString([], { hourCycle: 'h23' });
    line.textContent = `No live updates since ${time}; trying again.`;
    line.hidden = false;
    // A refused connection is given up by the browser; a server that restarts is worth another try.
    if (source.readyState === EventSource.CLOSED) setTimeout(reopen, RETRY_MS);
  }

  function reopen() {
    source.close();
    if (!document.hidden) open();
  }

  // A browser allows few connections to one host, so a page that nobody looks at gives its own up.
  document.addEventListener('visibilitychange', () => {
    heard = Date.now();
    reopen();
  });
  setInterval(() => {
    if (document.hidden || Date.now() - heard < SILENCE_MS || source.readyState === EventSource.CLOSED) return;
    lost();
    reopen();
  }, RETRY_MS);
  open();
}
