// The five charts: load voltage, current, power, tap, operations, on one time axis with one cursor.
import uPlot from 'uplot';
import 'uplot/dist/uPlot.min.css';
import { alarmMarks, reverseMarks, voltageMarks } from './marks.js';
import { bars, hasEnvelope, lines, near } from './columns.js';
import { clock } from './clock.js';
import { DASHES, palette, thin } from './palette.js';

const KINDS = [
  { title: 'Load voltage', unit: 'V', column: 0, decimals: 1, height: 190 },
  { title: 'Current', unit: 'A', column: 1, decimals: 0, height: 110 },
  { title: 'Real power', unit: 'kW', column: 2, decimals: 0, height: 130 },
  { title: 'Tap', unit: '', column: 3, decimals: 0, height: 120 },
  { title: 'Operations', unit: '', column: null, decimals: 0, height: 120 },
];
/** Room for the numbers left of every chart, so that their time axes lie above one another. */
const MARGIN = 52;

const minus = (text) => text.replace('-', '−');

export class Charts {
  /** @param {HTMLElement} holder @param {import('./range.js').Range} range */
  constructor(holder, range) {
    this.holder = holder;
    this.range = range;
    this.plots = [];
    this.data = null;
    this.words = document.getElementById('range-words');
    new ResizeObserver(() => this.#resize()).observe(holder);
    document.addEventListener('themechange', () => this.data && this.#build());
  }

  show(data) {
    const same = this.data && this.plots.length > 0 && this.envelope === hasEnvelope(data.regulators) && this.byDays === data.by_days;
    this.data = data;
    if (!same) this.#build();
    else {
      this.plots.forEach((plot, i) => plot.setData(this.#columns(KINDS[i]), false));
      this.move();
    }
    this.#say();
  }

  /** Shows the range on what data there is; finer data follow. */
  move() {
    this.moving = true;
    for (const plot of this.plots) plot.batch(() => plot.setScale('x', { min: this.range.from, max: this.range.to }));
    this.moving = false;
    this.#links();
  }

  #columns({ column }) {
    const { regulators, by_days: byDays } = this.data;
    return column === null ? bars(regulators, byDays) : lines(regulators, column);
  }

  #build() {
    for (const plot of this.plots) plot.destroy();
    this.holder.replaceChildren();
    this.envelope = hasEnvelope(this.data.regulators);
    this.byDays = this.data.by_days;
    this.colours = palette();
    this.clock = clock(this.data.zone);
    this.plots = KINDS.map((kind) => this.#plot(kind));
    this.move();
  }

  #plot(kind) {
    const figure = document.createElement('figure');
    const caption = document.createElement('figcaption');
    const title = document.createElement('b');
    const per = this.byDays ? ' per day' : ' per hour';
    title.textContent = kind.column === null ? kind.title + per : [kind.title, kind.unit].filter(Boolean).join(', ');
    const readouts = this.data.regulators.map((regulator, i) => readout(regulator.name, i));
    caption.append(title, ...readouts.map((r) => r.element));
    figure.append(caption);
    this.holder.append(figure);
    const plot = new uPlot(this.#options(kind, readouts), this.#columns(kind), figure);
    return plot;
  }

  #options(kind, readouts) {
    const { colours } = this;
    const axis = { stroke: colours.soft, grid: { stroke: colours.line, width: 1 }, ticks: { show: false }, font: '11px system-ui, sans-serif' };
    const last = kind.column === null;
    return {
      width: this.#width(),
      height: kind.height + (last ? 26 : 0),
      ms: 1,
      tzDate: this.clock.local,
      padding: [6, 10, last ? 0 : 6, 0],
      legend: { show: false },
      cursor: {
        sync: { key: 'site', scales: ['x', null] },
        drag: { x: true, y: false, setScale: true },
        points: { show: false },
        y: false,
        bind: { dblclick: () => () => this.range.zoom(2) },
      },
      scales: { x: { time: true }, y: { range: (u, low, high) => bounds(kind, this.data.regulators, low, high) } },
      axes: [
        { ...axis, size: last ? 26 : 0, values: last ? this.clock.labels : (u, splits) => splits.map(() => ''), space: 70 },
        { ...axis, size: MARGIN, values: (u, splits) => splits.map((v) => minus(String(v))), space: 26, incrs: kind.column >= 3 || last ? [1, 2, 4, 8, 10, 20, 50, 100, 200, 500] : undefined, label: undefined },
      ],
      series: [{}, ...this.data.regulators.flatMap((_, i) => this.#series(kind, i))],
      bands: last ? [] : this.data.regulators.map((_, i) => ({ series: [3 * i + 2, 3 * i + 3], fill: thin(colours.traces[i % 3], 0.16) })),
      hooks: {
        drawClear: [kind.column === 0 && voltageMarks(colours, this.data.regulators[0]), kind.column === 2 && reverseMarks(colours)].filter(Boolean),
        draw: [(u) => alarmMarks(colours, this.data.alarms, kind.column === 0)(u)],
        setScale: [(u, key) => this.#zoomed(u, key)],
        setCursor: [(u) => this.#read(u, kind, readouts)],
      },
    };
  }

  #series(kind, i) {
    const stroke = this.colours.traces[i % 3];
    if (kind.column === null) {
      return [{ stroke, fill: stroke, width: 0, points: { show: false }, paths: uPlot.paths.bars({ size: [0.8 / (this.data.regulators.length + 1), 24], align: 0 }) }];
    }
    const paths = kind.column === 3 ? uPlot.paths.stepped({ align: 1 }) : undefined;
    const points = { show: true, size: 4, width: 0, fill: stroke, filter: alone };
    const line = { stroke, width: 1.25, dash: DASHES[i % 3], points, paths, spanGaps: false };
    const edge = { stroke: 'transparent', width: 0, points: { show: false }, paths, spanGaps: false };
    return [line, edge, edge];
  }

  /** A drag in one chart has set its range: it becomes the range of all. */
  #zoomed(u, key) {
    if (key !== 'x' || this.moving || u.status !== 1) return;
    const { min, max } = u.scales.x;
    if (min !== null && (min !== this.range.from || max !== this.range.to)) queueMicrotask(() => this.range.set(min, max));
  }

  #read(u, kind, readouts) {
    const { idx } = u.cursor;
    readouts.forEach(({ value }, i) => {
      const series = u.data[kind.column === null ? i + 1 : 3 * i + 1];
      const at = idx === null || idx === undefined ? null : near(series, idx, kind.column === null ? 3 : 8);
      value.textContent = at === null ? '' : `${minus(at.toFixed(kind.decimals))} ${kind.unit}`;
    });
    if (kind.column === 0) this.#say(u.cursor.left >= 0 ? u.posToVal(u.cursor.left, 'x') : null);
  }

  /** What is on show, or what is under the cursor. */
  #say(at = null) {
    const { alarms, resolution } = this.data;
    const { from, to } = this.range;
    let text = `${this.clock.full(from)} to ${this.clock.full(to)} · ${resolution}`;
    if (at !== null) {
      const open = alarms.filter((a) => a.raised <= at && (a.returned ?? Infinity) >= at);
      text = [this.clock.full(at), ...open.slice(0, 3).map((a) => `${a.word}: ${a.title} (${a.whose})`)].join(' · ');
    }
    this.words.textContent = text;
    // Spoken when the range changes, not at every movement of the cursor.
    this.words.setAttribute('aria-live', at === null ? 'polite' : 'off');
  }

  #links() {
    const { range } = this;
    document.getElementById('csv').href = `${location.pathname}/trend.csv?${range.fixed}`;
    for (const link of document.querySelectorAll('[data-span]:not(#charts)')) {
      if (link.dataset.span === range.span) link.setAttribute('aria-current', 'true');
      else link.removeAttribute('aria-current');
    }
  }

  #width() {
    return Math.max(this.holder.clientWidth, 240);
  }

  #resize() {
    const width = this.#width();
    this.plots.forEach((plot, i) => {
      if (plot.width !== width) plot.setSize({ width, height: KINDS[i].height + (i === KINDS.length - 1 ? 26 : 0) });
    });
  }
}

function readout(name, i) {
  const element = document.createElement('span');
  element.className = `readout trace-${(i % 3) + 1}`;
  const swatch = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  swatch.setAttribute('viewBox', '0 0 24 6');
  swatch.setAttribute('aria-hidden', 'true');
  const line = document.createElementNS('http://www.w3.org/2000/svg', 'line');
  for (const [k, v] of Object.entries({ x1: 0, y1: 3, x2: 24, y2: 3 })) line.setAttribute(k, v);
  swatch.append(line);
  const value = document.createElement('span');
  value.className = 'number';
  element.append(swatch, ` ${name} `, value);
  return { element, value };
}

/** Points without a neighbour: no line reaches them, so they are drawn as dots. */
function alone(u, series, show) {
  const values = u.data[series];
  const found = [];
  for (let i = 0, before = null; show && i < values.length; i++) {
    // undefined: an instant at which only another regulator was read
    if (values[i] === undefined) continue;
    if (values[i] !== null && before === null) {
      let next = i + 1;
      while (next < values.length && values[next] === undefined) next++;
      if (values[next] === null || values[next] === undefined) found.push(i);
    }
    before = values[i];
  }
  return found;
}

/** The voltage axis always holds the limits; counts begin at zero; a tap axis spans whole taps. */
function bounds({ column }, regulators, low, high) {
  if (column === 0) {
    const base = regulators[0]?.base_v ?? 120;
    return [Math.min(low ?? Infinity, 0.945 * base), Math.max(high ?? -Infinity, 1.055 * base)];
  }
  if (low === null || high === null) return [0, 1];
  if (column === null) return [0, Math.max(high * 1.08, 4)];
  if (column === 3) return [Math.min(low, 0) - 1, Math.max(high, 0) + 1];
  const room = Math.max((high - low) * 0.08, 1);
  return [Math.min(low - room, 0), Math.max(high + room, 0)];
}
