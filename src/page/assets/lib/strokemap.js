// The stroke map on a canvas: angle across, frequency upwards, colour and number for the level. Touch or keys move the place that is read.

import { el } from './dom.js';
import { band, decibels } from './format.js';
import { t } from '/texts.js';

const DARK_ENDS = { more: [140, 45, 4], less: [16, 78, 139], none: [247, 247, 245] };
const LEVEL = [[247, 247, 245], [126, 177, 160], [13, 40, 66]];

const mix = (a, b, x) => a.map((v, i) => Math.round(v + (b[i] - v) * x));
const css = ([r, g, b]) => `rgb(${r},${g},${b})`;

/** Colour of a difference: white at none, brown louder, blue quieter; darker is more. */
function changeColour(db, most) {
  const x = Math.min(1, Math.abs(db) / most);
  return css(mix(DARK_ENDS.none, db > 0 ? DARK_ENDS.more : DARK_ENDS.less, x ** 0.8));
}

function levelColour(x) {
  const y = Math.max(0, Math.min(1, x)) * 2;
  return css(y < 1 ? mix(LEVEL[0], LEVEL[1], y) : mix(LEVEL[1], LEVEL[2], y - 1));
}

const finite = (x) => x !== null && x !== undefined && Number.isFinite(x);

/** Lowest and highest of a map. */
function span(rows) {
  let low = Infinity;
  let high = -Infinity;
  for (const row of rows) {
    for (const x of row) {
      if (!finite(x)) continue;
      if (x < low) low = x;
      if (x > high) high = x;
    }
  }
  return low <= high ? [low, high] : [0, 1];
}

/** The map without the bands at its ends of which nothing is known: a recording at 16 kHz has none above 8 kHz. */
function heard(map) {
  const known = (b) => [map.good_db, map.now_db, map.difference_db].some((rows) => rows[b].some(finite));
  let from = 0;
  let to = map.band_edges_hz.length - 1;
  while (to - from > 1 && !known(to - 1)) to -= 1;
  while (to - from > 1 && !known(from)) from += 1;
  const part = (rows) => rows.slice(from, to);
  return {
    ...map, band_edges_hz: map.band_edges_hz.slice(from, to + 1), good_db: part(map.good_db), now_db: part(map.now_db), difference_db: part(map.difference_db),
  };
}

/**
 * Makes the drawing. `map` as the server gives it; `onread({angle, band, words})` is told of the place.
 * Returns {node, show(which), place(): {arc, band}, table()}.
 */
export function strokeMap(whole, onread) {
  const map = heard(whole);
  const canvas = el('canvas', {
    class: 'strokemap', tabindex: '0', role: 'application', 'aria-label': t('map.canvas', { module: map.module }), 'aria-describedby': 'map-keys',
  });
  const n_angle = map.angles_deg.length;
  const n_band = map.band_edges_hz.length - 1;
  const at = { angle: 0, band: 0 };
  let which = 'difference';
  const rows = { difference: map.difference_db, now: map.now_db, good: map.good_db };

  function worst() {
    let best = -1;
    const inside = (a) => !map.arc_deg || inArc(map.angles_deg[a], map.arc_deg);
    const within = (b) => !map.band_hz || (map.band_edges_hz[b + 1] > map.band_hz[0] && map.band_edges_hz[b] < map.band_hz[1]);
    for (let b = 0; b < n_band; b += 1) {
      for (let a = 0; a < n_angle; a += 1) {
        const x = map.difference_db[b][a];
        if (finite(x) && inside(a) && within(b) && Math.abs(x) > best) {
          best = Math.abs(x);
          at.angle = a;
          at.band = b;
        }
      }
    }
  }

  const left = 46;
  const below = 30;
  function sizes() {
    const width = canvas.clientWidth || 320;
    const height = canvas.clientHeight || 300;
    return { width, height, w: (width - left - 4) / n_angle, h: (height - below - 4) / n_band };
  }

  function draw() {
    const { width, height, w, h } = sizes();
    const ratio = window.devicePixelRatio || 1;
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
    const g = canvas.getContext('2d');
    g.scale(ratio, ratio);
    const style = getComputedStyle(canvas);
    const ink = style.color;
    g.fillStyle = style.backgroundColor;
    g.fillRect(0, 0, width, height);
    const data = rows[which];
    const [low, high] = span(data);
    const most = Math.max(3, Math.abs(low), Math.abs(high));
    const x = (a) => left + a * w;
    const y = (b) => 4 + (n_band - b) * h;
    for (let b = 0; b < n_band; b += 1) {
      for (let a = 0; a < n_angle; a += 1) {
        const v = data[b][a];
        g.fillStyle = !finite(v) ? '#9a9a9a' : which === 'difference' ? changeColour(v, most) : levelColour((v - low) / (high - low || 1));
        g.fillRect(x(a), y(b + 1), w + 0.6, h + 0.6);
      }
    }
    axes(g, { x, y, width, height, ink, w });
    if (map.arc_deg && map.band_hz) outline(g, x, y, w);
    cross(g, x, y, w, h);
  }

  function axes(g, { x, y, height, ink, w }) {
    g.fillStyle = ink;
    g.font = '13px system-ui, sans-serif';
    g.textAlign = 'center';
    for (const deg of [0, 90, 180, 270, 360]) {
      const px = left + (deg / 360) * n_angle * w;
      g.fillRect(px - 0.5, height - below, 1, 5);
      g.textAlign = deg === 360 ? 'right' : deg === 0 ? 'left' : 'center';
      g.fillText(`${deg}°`, px, height - below + 18);
    }
    g.textAlign = 'right';
    for (const hz of [100, 300, 1000, 3000, 10000]) {
      const edges = map.band_edges_hz;
      if (hz < edges[0] || hz > edges[n_band]) continue;
      let b = 0;
      while (b < n_band - 1 && edges[b + 1] < hz) b += 1;
      const part = Math.log(hz / edges[b]) / Math.log(edges[b + 1] / edges[b]);
      const py = y(b + part);
      g.fillRect(left - 5, py - 0.5, 5, 1);
      g.fillText(hz >= 1000 ? `${hz / 1000}k` : `${hz}`, left - 8, py + 4);
    }
    // Half of the turn has a meaning only where a crank mark is known.
    if (map.angle === 'absolute') {
      g.fillStyle = '#000';
      g.setLineDash([2, 3]);
      g.strokeStyle = '#000';
      g.beginPath();
      g.moveTo(x(n_angle / 2), 4);
      g.lineTo(x(n_angle / 2), height - below);
      g.stroke();
      g.setLineDash([]);
    }
  }

  /** The place that the verdict names: black beside white, so that it shows on any colour. */
  function outline(g, x, y, w) {
    const edges = map.band_edges_hz;
    const row = (hz) => {
      let b = 0;
      while (b < n_band - 1 && edges[b + 1] <= hz) b += 1;
      return b + Math.min(1, Math.max(0, Math.log(hz / edges[b]) / Math.log(edges[b + 1] / edges[b])));
    };
    const [top, bottom] = [y(row(map.band_hz[1])), y(row(map.band_hz[0]))];
    const px = (deg) => left + (deg / 360) * n_angle * w;
    const [from, to] = map.arc_deg;
    const pieces = from <= to ? [[from, to]] : [[from, 360], [0, to]];
    for (const [a, b] of pieces) {
      for (const [colour, inset] of [['#fff', 2.5], ['#000', 0]]) {
        g.strokeStyle = colour;
        g.lineWidth = 2.5;
        g.strokeRect(px(a) + inset, top + inset, Math.max(4, px(b) - px(a) - 2 * inset), Math.max(4, bottom - top - 2 * inset));
      }
    }
  }

  function cross(g, x, y, w, h) {
    const cx = x(at.angle) + w / 2;
    const cy = y(at.band + 1) + h / 2;
    for (const [colour, width] of [['#fff', 5], ['#000', 2]]) {
      g.strokeStyle = colour;
      g.lineWidth = width;
      g.beginPath();
      g.arc(cx, cy, 10, 0, 2 * Math.PI);
      g.moveTo(cx - 18, cy);
      g.lineTo(cx - 10, cy);
      g.moveTo(cx + 10, cy);
      g.lineTo(cx + 18, cy);
      g.moveTo(cx, cy - 18);
      g.lineTo(cx, cy - 10);
      g.moveTo(cx, cy + 10);
      g.lineTo(cx, cy + 18);
      g.stroke();
    }
  }

  function tellPlace() {
    const hz = [map.band_edges_hz[at.band], map.band_edges_hz[at.band + 1]];
    const deg = map.angles_deg[at.angle];
    const half = map.angle === 'absolute' ? t(deg < 180 ? 'half.discharge' : 'half.suction') : t('half.unknown');
    const d = map.difference_db[at.band][at.angle];
    const words = t('map.read', { deg: deg.toFixed(0), half, band: band(hz), difference: finite(d) ? decibels(d) : t('nodata') });
    onread({ deg, hz, words });
    draw();
  }

  function move(e) {
    const { w, h, height } = sizes();
    const box = canvas.getBoundingClientRect();
    at.angle = Math.max(0, Math.min(n_angle - 1, Math.floor((e.clientX - box.left - left) / w)));
    at.band = Math.max(0, Math.min(n_band - 1, Math.floor((height - below - (e.clientY - box.top)) / h)));
    tellPlace();
  }
  canvas.addEventListener('pointerdown', (e) => {
    canvas.setPointerCapture(e.pointerId);
    move(e);
  });
  canvas.addEventListener('pointermove', (e) => {
    if (e.buttons > 0) move(e);
  });
  canvas.addEventListener('keydown', (e) => {
    const step = e.shiftKey ? 6 : 1;
    const go = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[e.key];
    if (e.key === 'Home') worst();
    else if (go) {
      at.angle = (at.angle + go[0] + n_angle) % n_angle;
      at.band = Math.max(0, Math.min(n_band - 1, at.band + go[1]));
    } else return;
    e.preventDefault();
    tellPlace();
  });
  const watcher = new ResizeObserver(() => draw());
  watcher.observe(canvas);
  worst();

  return {
    node: canvas,
    begin: tellPlace,
    stop: () => watcher.disconnect(),
    show(name) {
      which = name;
      draw();
    },
    /** Arc and band about the place, for listening: 40 degrees and three bands wide. */
    place() {
      const deg = map.angles_deg[at.angle];
      const low = map.band_edges_hz[Math.max(0, at.band - 1)];
      const high = map.band_edges_hz[Math.min(n_band, at.band + 2)];
      return { arc: [(deg + 340) % 360, (deg + 20) % 360], band: [low, high] };
    },
    table: () => table(map, n_angle, n_band),
  };
}

function inArc(deg, [from, to]) {
  return from <= to ? deg >= from && deg <= to : deg >= from || deg <= to;
}

/** The same as a table: in each 30 degrees the largest change of each band, highest band first. */
function table(map, n_angle, n_band) {
  const parts = 12;
  const head = el('tr', {}, el('th', { scope: 'col' }, t('map.band')));
  for (let k = 0; k < parts; k += 1) head.append(el('th', { scope: 'col' }, `${k * 30}°`));
  const body = el('tbody');
  for (let b = n_band - 1; b >= 0; b -= 1) {
    const row = el('tr', {}, el('th', { scope: 'row' }, band([map.band_edges_hz[b], map.band_edges_hz[b + 1]])));
    for (let k = 0; k < parts; k += 1) {
      let most = null;
      for (let a = 0; a < n_angle; a += 1) {
        const x = map.difference_db[b][a];
        if (Math.floor(map.angles_deg[a] / 30) === k && finite(x) && (most === null || Math.abs(x) > Math.abs(most))) most = x;
      }
      row.append(el('td', { class: 'n' }, most === null ? '–' : `${most < 0 ? '−' : '+'}${Math.abs(most).toFixed(1)}`));
    }
    body.append(row);
  }
  return el(
    'div',
    { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': t('map.table') },
    el('table', {}, el('caption', {}, t('map.table.caption')), el('thead', {}, head), body),
  );
}
