// Makes the board live: changed cells only, nothing moves under the reader's hand.
import { ages } from './board/ages.js';
import { order } from './board/order.js';
import { follow } from './board/follow.js';
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
  follow({
    since: table.dataset.version,
    line: document.getElementById('link'),
    onUpdate(update) {
      clock.set(update.now);
      const moved = update.rows.filter((row) => rows.show(row));
      if (update.rebuilt || update.fleet !== Number(table.dataset.fleet)) sorter.fleetChanged();
      else if (moved.length > 0 || update.rows.some((row) => rows.belongs(row))) sorter.orderChanged();
      showCounts(update.counts);
      showBanners(update.banners);
      clock.tick();
    },
  });
}
