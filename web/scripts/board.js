// Makes the board live: changed cells only, nothing moves under the reader's hand.
import { ages } from './board/ages.js';
import { order } from './board/order.js';
import { flood } from './board/flood.js';
import { follow } from './board/follow.js';
import { queue } from './board/queue.js';
import { Rows } from './board/rows.js';
import { showBanners, showCounts } from './board/summary.js';
import { submitOnChoice } from './board/filter.js';

const table = document.getElementById('board');
if (table) start(table);

/** @param {HTMLTableElement} table */
function start(table) {
  const rows = new Rows(table);
  const clock = ages(table, Number(table.dataset.now));
  const sorter = order(document.getElementById('resort'));
  submitOnChoice(document.getElementById('filter'));
  const showFlood = flood(document.getElementById('flood'));
  const shown = queue((row) => {
    const moved = rows.show(row);
    if (moved || rows.belongs(row)) sorter.orderChanged();
  }, clock.tick);
  follow({
    since: table.dataset.version,
    line: document.getElementById('link'),
    onUpdate(update) {
      clock.set(update.now);
      if (update.rebuilt || update.fleet !== Number(table.dataset.fleet)) sorter.fleetChanged();
      shown.add(update.rows);
      showCounts(update.counts);
      showBanners(update.banners);
      showFlood(update.flood);
    },
  });
}
