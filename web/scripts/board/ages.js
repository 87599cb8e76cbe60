// Ages of readings, counted on by the server's clock, for the rows that are on screen.

/** The same words as `age` in web/src/board/row.rs. */
export function age(seconds) {
  if (seconds < 0) return 'ahead';
  if (seconds < 100) return `${seconds} s`;
  if (seconds < 5940) return `${Math.floor(seconds / 60)} min`;
  if (seconds < 172800) return `${Math.floor(seconds / 3600)} h`;
  return `${Math.floor(seconds / 86400)} d`;
}

/**
 * @param {HTMLTableElement} table
 * @param {number} now the server's clock when the page was drawn, ms
 */
export function ages(table, now) {
  let ahead = now - Date.now();
  const seen = new Set();
  const watcher = new IntersectionObserver((entries) => {
    for (const { target, isIntersecting } of entries) {
      if (isIntersecting) {
        seen.add(target);
        show(target);
      } else seen.delete(target);
    }
  });
  for (const row of table.querySelectorAll('tr[id]')) watcher.observe(row);

  function show(row) {
    if (row.dataset.at === undefined) return;
    const text = age(Math.floor((Date.now() + ahead - Number(row.dataset.at)) / 1000));
    const cell = row.querySelector('.c-age');
    if (cell.textContent !== text) cell.textContent = text;
  }

  const tick = () => seen.forEach(show);
  setInterval(tick, 1000);
  return {
    tick,
    set(serverNow) {
      ahead = serverNow - Date.now();
    },
  };
}
