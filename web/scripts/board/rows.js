// The rows of the board: writes what has changed into the cells that show it.

/** Sets text only where it differs, so that unchanged rows cost nothing. */
function say(cell, text) {
  if (cell.textContent !== text) cell.textContent = text;
}

function set(element, name, value) {
  const text = String(value);
  if (element.getAttribute(name) !== text) element.setAttribute(name, text);
}

function measure(row, selector, { t, b }) {
  const cell = row.querySelector(selector);
  say(cell, t);
  cell.classList.toggle('bad', b === true);
}

function bar(row, { from, width, at }) {
  const [, band, marker] = row.querySelectorAll('.bar rect');
  set(band, 'x', from ?? -10);
  set(band, 'width', width);
  set(marker, 'x', at ?? -10);
}

function state(row, live) {
  const sign = row.querySelector('.c-state .sign');
  sign.className = `sign ${live.level}`;
  sign.querySelector('use').setAttribute('href', `#s-${live.level}`);
  sign.querySelector('span').textContent = live.word;
  row.dataset.state = live.state;
}

function alarms(cell, list, work) {
  const key = list.map((a) => `${a.id}${a.held ?? (a.ack ? '+' : '')}`).join() + (work ? ' work' : '');
  if (cell.dataset.key === key) return;
  cell.dataset.key = key;
  cell.replaceChildren(
    ...list.flatMap((alarm) => {
      const link = document.createElement('a');
      link.href = `/alarms/${alarm.id}`;
      link.className = alarm.level;
      link.textContent = alarm.title;
      if (!alarm.ack && !alarm.held) return [link, ' '];
      const seen = document.createElement('span');
      seen.className = 'ack';
      seen.textContent = alarm.held ?? 'seen';
      return [link, ' ', seen, ' '];
    }),
  );
  if (!work) return;
  const link = document.createElement('a');
  link.href = '/windows';
  link.className = 'ack';
  link.textContent = 'under maintenance';
  cell.append(link);
}

export class Rows {
  /** @param {HTMLTableElement} table */
  constructor(table) {
    this.byId = new Map();
    for (const row of table.querySelectorAll('tr[id]')) this.byId.set(Number(row.id.slice(1)), row);
    /** The state that this page is narrowed to, if it is. */
    this.only = new URLSearchParams(location.search).get('state');
  }

  /** Shows one regulator; tells whether its place in the order may be another now. */
  show(live) {
    const row = this.byId.get(live.id);
    if (!row) return false;
    const moved = row.dataset.state !== live.state;
    if (moved) state(row, live);
    row.className = live.old ? `${live.level} old` : live.level;
    measure(row, '.c-volts', live.volts);
    measure(row, '.c-amps', live.amps);
    measure(row, '.c-power', live.power);
    measure(row, '.c-tap', live.tap);
    measure(row, '.c-ops', live.ops);
    bar(row, live.bar);
    const way = row.querySelector('.c-way');
    say(way, live.way);
    way.className = `c-way ${live.flow}`;
    alarms(row.querySelector('.c-alarms'), live.alarms, live.work === true);
    if (live.at === null) delete row.dataset.at;
    else row.dataset.at = live.at;
    return moved;
  }

  /** Whether a regulator that is not on this page would be, were the page drawn now. */
  belongs(live) {
    return this.only !== null && this.only === live.state && !this.byId.has(live.id);
  }
}
