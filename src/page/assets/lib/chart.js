// Small charts of a value over time, each with the same in words and as a table.

import { el, svg } from './dom.js';
import { when } from './format.js';
import { t } from '/texts.js';

const W = 640;
const H = 200;

/**
 * `points`: [{x: ms, y, mark: bool, words}], oldest first; `lines`: [{y, words}] drawn across; `words`: what it says.
 */
export function chart({ points, lines = [], words, unit = '' }) {
  if (points.length === 0) return el('p', { class: 'empty' }, t('chart.none'));
  const ys = [...points.map((p) => p.y), ...lines.map((l) => l.y)];
  let [low, high] = [Math.min(...ys), Math.max(...ys)];
  if (low === high) [low, high] = [low - 1, high + 1];
  const room = (high - low) * 0.1;
  [low, high] = [low - room, high + room];
  const [x0, x1] = [points[0].x, points[points.length - 1].x];
  const px = (x) => (x1 === x0 ? W / 2 : 8 + ((x - x0) / (x1 - x0)) * (W - 16));
  const py = (y) => H - 8 - ((y - low) / (high - low)) * (H - 16);
  const picture = svg('svg', { viewBox: `0 0 ${W} ${H}`, class: 'chart', role: 'img', 'aria-label': words, preserveAspectRatio: 'none' });
  for (const l of lines) picture.append(svg('line', { class: 'limit', x1: 0, x2: W, y1: py(l.y), y2: py(l.y) }));
  picture.append(svg('polyline', { points: points.map((p) => `${px(p.x).toFixed(1)},${py(p.y).toFixed(1)}`).join(' ') }));
  for (const p of points.slice(-120)) picture.append(svg(p.mark ? 'rect' : 'circle', spot(p, px(p.x), py(p.y))));
  const rows = points.slice(-60).reverse();
  const table = el(
    'details',
    {},
    el('summary', {}, t('chart.table')),
    el(
      'table',
      {},
      el('thead', {}, el('tr', {}, el('th', { scope: 'col' }, t('when')), el('th', { scope: 'col' }, t('value')))),
      el('tbody', {}, rows.map((p) => el('tr', {}, el('td', {}, when(new Date(p.x).toISOString())), el('td', {}, p.words || `${p.y.toFixed(2)} ${unit}`)))),
    ),
  );
  const ends = el('p', { class: 'ends' }, el('span', {}, when(new Date(x0).toISOString())), el('span', {}, when(new Date(x1).toISOString())));
  const key = lines.length > 0 ? el('p', { class: 'hint' }, lines.map((l) => l.words).join('; ')) : null;
  return el('figure', { class: 'over-time' }, picture, ends, key, table);
}

function spot(p, x, y) {
  return p.mark ? { x: x - 6, y: y - 6, width: 12, height: 12, class: 'out' } : { cx: x, cy: y, r: 4 };
}
