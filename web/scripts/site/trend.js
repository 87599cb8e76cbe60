// Fetches what the charts show: the newest wish only, and not while the reader is still moving.
export class Trend {
  #timer = 0;
  #abort = null;

  /** @param {string} site @param {(data: object) => void} show */
  constructor(site, show) {
    this.site = site;
    this.show = show;
  }

  want(range, delay = 120) {
    clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.#fetch(range), delay);
  }

  async #fetch(range) {
    this.#abort?.abort();
    this.#abort = new AbortController();
    try {
      const answer = await fetch(`/site/${this.site}/trend.json?${range.fixed}&pad=1`, { signal: this.#abort.signal });
      if (!answer.ok) throw new Error(await answer.text());
      this.show(await answer.json());
    } catch (error) {
      if (error.name === 'AbortError') return;
      document.getElementById('range-words').textContent = `The trend could not be fetched: ${error.message}`;
    }
  }
}
