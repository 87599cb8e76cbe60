// The style sheet's colours, as a canvas needs them.

/** Lines are told apart by their dashes as well as by colour. */
export const DASHES = [[], [7, 3], [2, 2]];

export function palette() {
  const probe = document.createElement('i');
  document.body.append(probe);
  const read = (name) => {
    probe.style.color = `var(--${name})`;
    return getComputedStyle(probe).color;
  };
  const colours = Object.fromEntries(
    ['ink', 'soft', 'line', 'line-firm', 'zone', 'band', 'critical', 'high', 'medium', 'low', 'sheet'].map((n) => [n, read(n)]),
  );
  colours.traces = [1, 2, 3].map((n) => read(`trace-${n}`));
  probe.remove();
  return colours;
}

/** The same colour, thinner. */
export function thin(colour, share) {
  const [r, g, b] = colour.match(/[\d.]+/g);
  return `rgba(${r}, ${g}, ${b}, ${share})`;
}
