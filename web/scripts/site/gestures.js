// Moving and zooming: buttons, keys, wheel, Shift and drag. (Drag to zoom is the chart library's own.)
import { SPANS } from './range.js';

const STEP = 0.25;
const ZOOM = 1.6;

/** @param {HTMLElement} holder @param {import('./range.js').Range} range @param {import('./charts.js').Charts} charts */
export function gestures(holder, range, charts) {
  buttons(range);
  keys(holder, range);
  wheel(holder, range, charts);
  shiftDrag(holder, range);
}

function buttons(range) {
  const on = (id, act) =>
    document.getElementById(id).addEventListener('click', (event) => {
      event.preventDefault();
      act();
    });
  on('earlier', () => range.move(-2 * STEP));
  on('later', () => range.move(2 * STEP));
  on('in', () => range.zoom(1 / ZOOM));
  on('out', () => range.zoom(ZOOM));
  for (const link of document.querySelectorAll('a[data-span]')) {
    link.addEventListener('click', (event) => {
      if (event.ctrlKey || event.metaKey || event.shiftKey || !(link.dataset.span in SPANS)) return;
      event.preventDefault();
      range.preset(link.dataset.span);
    });
  }
}

function keys(holder, range) {
  const acts = {
    ArrowLeft: () => range.move(-STEP),
    ArrowRight: () => range.move(STEP),
    '+': () => range.zoom(1 / ZOOM),
    '=': () => range.zoom(1 / ZOOM),
    '-': () => range.zoom(ZOOM),
    0: () => range.preset('24h'),
  };
  holder.addEventListener('keydown', (event) => {
    const act = acts[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });
}

/** The wheel scrolls the page until the charts are in use: focused, or with Ctrl. */
function wheel(holder, range, charts) {
  holder.addEventListener('pointerdown', () => holder.focus({ preventScroll: true }));
  holder.addEventListener(
    'wheel',
    (event) => {
      const over = event.target.closest('.u-over');
      if (!over || charts.plots.length === 0) return;
      if (!event.ctrlKey && document.activeElement !== holder) return;
      event.preventDefault();
      const { left, width } = over.getBoundingClientRect();
      if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) range.move(event.deltaX / width);
      else range.zoom(event.deltaY > 0 ? 1.25 : 0.8, range.from + ((event.clientX - left) / width) * range.length);
    },
    { passive: false },
  );
}

function shiftDrag(holder, range) {
  holder.addEventListener(
    'mousedown',
    (event) => {
      const over = event.target.closest('.u-over');
      if (!over || !event.shiftKey || event.button !== 0) return;
      // Taken before the chart library sees it as the beginning of a zoom.
      event.stopPropagation();
      event.preventDefault();
      let x = event.clientX;
      const width = over.clientWidth;
      const move = (e) => {
        range.move((x - e.clientX) / width);
        x = e.clientX;
      };
      addEventListener('mousemove', move);
      addEventListener('mouseup', () => removeEventListener('mousemove', move), { once: true });
    },
    { capture: true },
  );
}
