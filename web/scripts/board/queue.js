// Spreads many changed rows over several frames, so that a burst of readings does not hold up the reader's scrolling.

/** Time in one frame that may go into rows. */
const BUDGET_MS = 6;

/** @param {(item: object) => void} show @param {() => void} done called when nothing waits any more */
export function queue(show, done) {
  const waiting = new Map();
  let scheduled = false;

  function drain() {
    scheduled = false;
    const until = performance.now() + BUDGET_MS;
    for (const [id, item] of waiting) {
      waiting.delete(id);
      show(item);
      if (performance.now() > until) break;
    }
    if (waiting.size > 0) schedule();
    else done();
  }

  function schedule() {
    if (scheduled) return;
    scheduled = true;
    requestAnimationFrame(drain);
  }

  return {
    /** A newer item of the same id takes the place of one that still waits. */
    add(items) {
      for (const item of items) waiting.set(item.id, item);
      schedule();
    },
  };
}
