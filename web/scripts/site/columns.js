// From the server's columns to what one chart draws.
import uPlot from 'uplot';

const none = (n) => new Array(n).fill(null);

/**
 * One quantity of all regulators on one time axis: [times, value, highest, lowest, value, ...].
 * A value that is missing stays missing (null); an instant at which only another regulator was read is no gap (undefined).
 */
export function lines(regulators, column) {
  const tables = regulators.map(({ series: { t, columns } }) => {
    const { value, min, max } = columns[column];
    return [t, value, max ?? none(t.length), min ?? none(t.length)];
  });
  return together(tables);
}

/** Operations as bars side by side: each regulator a little further along its bucket. */
export function bars(regulators, byDays) {
  const bucket = byDays ? 86_400_000 : 3_600_000;
  const n = regulators.length;
  const tables = regulators.map(({ operations: { t, n: counts } }, i) => [
    t.map((ms) => ms + (bucket * (i + 1)) / (n + 1)),
    counts,
  ]);
  return together(tables);
}

function together(tables) {
  const filled = tables.filter(([t]) => t.length > 0);
  if (filled.length === 0) return [[], ...tables.flatMap((t) => t.slice(1).map(() => []))];
  // Mode 1 keeps null as null: what was not measured stays a gap.
  const modes = tables.map((table) => table.map((_, i) => (i === 0 ? 0 : 1)));
  return uPlot.join(tables, modes);
}

/** Whether the points are buckets with a lowest and a highest. */
export function hasEnvelope(regulators) {
  return regulators.some(({ series }) => series.columns[0].min?.length > 0);
}

/** The value of a series nearest to an index, at most `reach` points away. */
export function near(values, index, reach = 8) {
  for (let d = 0; d <= reach; d++) {
    const value = values[index - d] ?? values[index + d];
    if (value !== null && value !== undefined) return value;
  }
  return null;
}
