// The stretch of time on show: one for all charts, kept in the address.
const MINUTE = 60_000;
const HOUR = 60 * MINUTE;
const DAY = 24 * HOUR;

/** The same as `Span::ALL` in web/src/site/range.rs. */
export const SPANS = { '1h': HOUR, '6h': 6 * HOUR, '24h': DAY, '7d': 7 * DAY, '30d': 30 * DAY, '90d': 90 * DAY, '1y': 365 * DAY };

const SHORTEST = 2 * MINUTE;
const LONGEST = 3 * 365 * DAY;

const iso = (ms) => new Date(ms).toISOString().replace(/\.\d+Z$/, 'Z');

export class Range extends EventTarget {
  constructor({ from, to, span }) {
    super();
    this.from = Number(from);
    this.to = Number(to);
    this.span = span || null;
  }

  get length() {
    return this.to - this.from;
  }

  /** The query that leads to it: a span that ends now, or two instants. */
  get query() {
    return this.span ? `span=${this.span}` : this.fixed;
  }

  get fixed() {
    return `from=${iso(this.from)}&to=${iso(this.to)}`;
  }

  /** Shows from one instant to another, within reason and not beyond now. */
  set(from, to) {
    const length = Math.min(Math.max(to - from, SHORTEST), LONGEST);
    const end = Math.min((from + to + length) / 2, Date.now());
    this.#become(end - length, end, null);
  }

  /** Shows a span that ends now. */
  preset(name) {
    const now = Date.now();
    this.#become(now - SPANS[name], now, name);
  }

  /** Moves on with time. */
  follow() {
    this.preset(this.span);
  }

  /** Moves by a share of the length. */
  move(share) {
    this.set(this.from + share * this.length, this.to + share * this.length);
  }

  /** Zooms by a factor around an instant. */
  zoom(factor, around = (this.from + this.to) / 2) {
    this.set(around - (around - this.from) * factor, around + (this.to - around) * factor);
  }

  #become(from, to, span) {
    if (from === this.from && to === this.to && span === this.span) return;
    Object.assign(this, { from, to, span });
    history.replaceState(null, '', `${location.pathname}?${this.query}`);
    this.dispatchEvent(new Event('change'));
  }
}
