// Instants on the site's own clock, 24 hours.
import uPlot from 'uplot';

const DAY = 86_400_000;
const day = uPlot.fmtDate('{MMM} {D}');
const month = uPlot.fmtDate('{MMM} {YYYY}');
const minute = uPlot.fmtDate('{HH}:{mm}');
const second = uPlot.fmtDate('{HH}:{mm}:{ss}');
const full = uPlot.fmtDate('{YYYY}-{MM}-{DD} {HH}:{mm}:{ss}');

export function clock(zone) {
  const local = (ms) => uPlot.tzDate(new Date(ms), zone);
  return {
    local,
    full: (ms) => full(local(ms)),
    /** Labels of the time axis; a midnight shows its date. */
    labels(_, splits, __, ___, step) {
      return splits.map((ms) => {
        const at = local(ms);
        if (step >= 28 * DAY) return month(at);
        if (step >= DAY || (at.getHours() === 0 && at.getMinutes() === 0)) return day(at);
        return step < 60_000 ? second(at) : minute(at);
      });
    },
  };
}
