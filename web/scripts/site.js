// The site page: charts that pan and zoom on one time axis, and present values that stay present.
import './../styles/site.css';
import { Charts } from './site/charts.js';
import { alarmTable, summaryTable } from './site/tables.js';
import { follow } from './board/follow.js';
import { gestures } from './site/gestures.js';
import { life } from './site/life.js';
import { present } from './site/present.js';
import { Range } from './site/range.js';
import { showBanners } from './board/summary.js';
import { Trend } from './site/trend.js';

const site = document.getElementById('site');
const holder = document.getElementById('charts');
for (const part of document.querySelectorAll('.needs-script')) part.hidden = false;

const range = new Range(holder.dataset);
const charts = new Charts(holder, range);
const trend = new Trend(site.dataset.site, (data) => {
  charts.show(data);
  summaryTable(data, range);
  alarmTable(data);
});

const lived = life(site.dataset.site, document.getElementById('life'));
range.addEventListener('change', () => {
  charts.move();
  trend.want(range);
  lived(range.query);
});
gestures(holder, range, charts);
trend.want(range, 0);

// A range that ends now moves on with time.
setInterval(() => {
  if (!document.hidden && range.span) range.follow();
}, 10_000);

const regulators = new Set(site.dataset.regulators.split(',').map(Number));
const refresh = present(site.dataset.site, document.getElementById('present'));
follow({
  since: site.dataset.version,
  line: document.getElementById('link'),
  onUpdate(update) {
    showBanners(update.banners);
    if (update.rows.some((row) => regulators.has(row.id))) refresh();
  },
});
