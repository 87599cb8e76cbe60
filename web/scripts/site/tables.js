// The tables under the charts follow the range: the charts' numbers for those who do not see them.
import { clock } from './clock.js';

const DECIMALS = [1, 0, 0, 0];
const say = (value, decimals) => value.toFixed(decimals).replace('-', '−').replace(/^−(0(\.0+)?)$/, '$1');

function cell(row, i, text) {
  const td = row.cells[i + 1];
  if (!td) return;
  td.textContent = text ?? '– no data';
  td.classList.toggle('bad', text === null);
}

/** Lowest, mean, highest over the range on show. */
export function summaryTable({ regulators, by_days: byDays }, range) {
  const bucket = byDays ? 86_400_000 : 3_600_000;
  const rows = document.querySelectorAll('#summary tbody tr');
  regulators.forEach(({ series, operations }, i) => {
    DECIMALS.forEach((decimals, column) => {
      const s = span(series, column, range);
      cell(rows[column], i, s && `${say(s.low, decimals)} / ${say(s.mean, decimals)} / ${say(s.high, decimals)}`);
    });
    const counts = operations.n.filter((_, k) => operations.t[k] > range.from - bucket && operations.t[k] < range.to);
    cell(rows[DECIMALS.length], i, counts.length ? String(counts.reduce((a, b) => a + b, 0)) : null);
  });
}

function span({ t, columns }, column, { from, to }) {
  const { value, min, max } = columns[column];
  let [low, high, sum, n] = [Infinity, -Infinity, 0, 0];
  for (let k = 0; k < t.length; k++) {
    const v = value[k];
    if (t[k] < from || t[k] >= to || v === null) continue;
    low = Math.min(low, min?.[k] ?? v);
    high = Math.max(high, max?.[k] ?? v);
    sum += v;
    n += 1;
  }
  return n === 0 ? null : { low, mean: sum / n, high };
}

/** Alarms of the stretch that was fetched. */
export function alarmTable({ alarms, zone }) {
  const body = document.querySelector('#site-alarms tbody');
  const more = document.getElementById('more-alarms');
  const most = Number(more.dataset.most);
  more.hidden = alarms.length <= most;
  const { full } = clock(zone);
  body.replaceChildren(
    ...alarms.slice(0, most).map((alarm) => {
      const row = document.createElement('tr');
      const link = document.createElement('a');
      link.href = `/alarms/${alarm.id}`;
      link.textContent = alarm.title;
      const returned = alarm.returned === null ? 'still open' : full(alarm.returned);
      for (const content of [sign(alarm), link, alarm.whose, full(alarm.raised), returned, alarm.summary]) {
        row.insertCell().append(content);
      }
      return row;
    }),
  );
  document.getElementById('no-alarms').hidden = alarms.length > 0;
  document.getElementById('site-alarms').hidden = alarms.length === 0;
}

function sign({ level, word }) {
  const span = document.createElement('span');
  span.className = `sign ${level}`;
  const svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  svg.setAttribute('class', 'symbol');
  svg.setAttribute('aria-hidden', 'true');
  const use = document.createElementNS('http://www.w3.org/2000/svg', 'use');
  use.setAttribute('href', `#s-${level}`);
  svg.append(use);
  span.append(svg, ` ${word}`);
  return span;
}
