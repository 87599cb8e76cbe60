// What stands above the rows: counts by state, and banners that say why the picture may be blind.

/** @param {[string, number][]} counts */
export function showCounts(counts) {
  for (const [state, count] of counts) {
    const item = document.querySelector(`#tally [data-state="${state}"]`);
    if (!item) continue;
    const number = item.querySelector('b');
    if (number.textContent !== String(count)) number.textContent = count;
    item.classList.toggle('none', count === 0);
  }
}

let shown = null;

/** @param {{what: string, so: string}[]} banners */
export function showBanners(banners) {
  const key = JSON.stringify(banners);
  if (key === shown) return;
  shown = key;
  document.getElementById('banners').replaceChildren(
    ...banners.map(({ what, so }) => {
      const banner = document.createElement('div');
      banner.className = 'banner';
      const first = document.createElement('p');
      const strong = document.createElement('strong');
      strong.textContent = what;
      first.append(strong);
      const second = document.createElement('p');
      second.textContent = so;
      banner.append(first, second);
      return banner;
    }),
  );
}
