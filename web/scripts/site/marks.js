// What is drawn behind and over the lines: band, limits, reverse power, alarms.
import { thin } from './palette.js';

/** Alarms on show, at most, that are marked by a line through every chart. */
const MOST_LINES = 24;

const ratio = () => devicePixelRatio || 1;

function clipped(u, draw) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.textAlign = 'left';
  ctx.textBaseline = 'alphabetic';
  draw(ctx, bbox);
  ctx.restore();
}

/** The control's band and the limits of ANSI C84.1 range A. */
export function voltageMarks(colours, { band, base_v: base }) {
  return (u) =>
    clipped(u, (ctx, { left, width }) => {
      const y = (volts) => u.valToPos(volts, 'y', true);
      if (band) {
        ctx.fillStyle = colours.zone;
        ctx.fillRect(left, y(band[1]), width, y(band[0]) - y(band[1]));
      }
      ctx.strokeStyle = colours['line-firm'];
      ctx.fillStyle = colours.soft;
      ctx.lineWidth = ratio();
      ctx.setLineDash([6 * ratio(), 4 * ratio()]);
      ctx.font = `${11 * ratio()}px system-ui, sans-serif`;
      for (const limit of [0.95 * base, 1.05 * base]) {
        ctx.beginPath();
        ctx.moveTo(left, y(limit));
        ctx.lineTo(left + width, y(limit));
        ctx.stroke();
        ctx.fillText(`range A ${limit.toFixed(0)} V`, left + 6 * ratio(), y(limit) + (limit < base ? -4 : 13) * ratio());
      }
    });
}

/** Everything below zero is power from load to source. */
export function reverseMarks(colours) {
  return (u) =>
    clipped(u, (ctx, { left, top, width, height }) => {
      const zero = u.valToPos(0, 'y', true);
      if (zero >= top + height) return;
      const from = Math.max(zero, top);
      ctx.fillStyle = colours.zone;
      ctx.fillRect(left, from, width, top + height - from);
      ctx.fillStyle = colours.soft;
      ctx.font = `${11 * ratio()}px system-ui, sans-serif`;
      if (top + height - from > 15 * ratio()) ctx.fillText('← reverse', left + 6 * ratio(), from + 12 * ratio());
      ctx.strokeStyle = colours['line-firm'];
      ctx.beginPath();
      ctx.moveTo(left, zero);
      ctx.lineTo(left + width, zero);
      ctx.stroke();
    });
}

/** Alarms: a bar along the top for as long as it was open, with its sign where it was raised. */
export function alarmMarks(colours, alarms, signs) {
  return (u) =>
    clipped(u, (ctx, { left, top, width, height }) => {
      const px = ratio();
      const x = (ms) => u.valToPos(ms, 'x', true);
      // Lines through many alarms would hide what they point at; their bars and signs remain.
      const shown = alarms.filter((a) => x(a.raised) <= left + width && (a.returned === null || x(a.returned) >= left));
      for (const alarm of shown) {
        const from = x(alarm.raised);
        const to = alarm.returned === null ? left + width : x(alarm.returned);
        const colour = colours[alarm.level] ?? colours.soft;
        ctx.strokeStyle = thin(colour, 0.55);
        ctx.lineWidth = px;
        ctx.setLineDash([2 * px, 3 * px]);
        if (shown.length <= MOST_LINES) {
          ctx.beginPath();
          ctx.moveTo(from, top);
          ctx.lineTo(from, top + height);
          ctx.stroke();
        }
        if (!signs) continue;
        ctx.fillStyle = colour;
        ctx.fillRect(from, top, Math.max(to - from, px), 3 * px);
        sign(ctx, alarm.level, Math.max(from, left + 7 * px), top + 9 * px, 5.5 * px);
      }
    });
}

/** The same shapes as in symbols.html. */
function sign(ctx, level, x, y, r) {
  const shapes = {
    critical: [[-0.45, -1], [0.45, -1], [1, -0.45], [1, 0.45], [0.45, 1], [-0.45, 1], [-1, 0.45], [-1, -0.45]],
    high: [[0, -1], [1, 0.9], [-1, 0.9]],
    medium: [[0, -1], [1, 0], [0, 1], [-1, 0]],
  };
  ctx.beginPath();
  const shape = shapes[level];
  if (shape) for (const [dx, dy] of shape) ctx.lineTo(x + dx * r, y + dy * r);
  else ctx.arc(x, y, r * 0.8, 0, 7);
  ctx.closePath();
  ctx.fill();
}
