// The verdicts of a round, worst first: which module, how far, where, what it usually means, what to look at next.

import { hear } from '../lib/bus.js';
import { el, link } from '../lib/dom.js';
import { arc, band, chance, decibels } from '../lib/format.js';
import { get } from '../lib/net.js';
import { badge, caution, empty, oldNote, trouble } from '../lib/parts.js';
import * as sync from '../lib/sync.js';
import { t } from '/texts.js';

const RANK = { departed: 0, drifting: 1, steady: 2, unjudged: 3 };

/** Worst first: by departure; what could not be judged comes last. */
export const worstFirst = (clips) =>
  [...clips].sort((a, b) => (b.departure ?? -1) - (a.departure ?? -1) || RANK[a.verdict] - RANK[b.verdict] || a.module - b.module);

export async function view(id) {
  const number = await sync.roundNumber(id);
  if (number === null) throw new Error(t('walk.verdict.later'));
  const here = (await sync.clipsOf(id)).length;
  const body = el('div', { class: 'verdicts' });
  const wait = el('div', { class: 'waiting', role: 'status', 'aria-live': 'polite' }, el('p', {}, t('verdict.wait')), el('progress', { 'aria-label': t('verdict.wait') }));
  body.append(wait);
  let alive = true;
  const show = ({ done, of }) => {
    const bar = wait.querySelector('progress');
    if (bar && of) {
      bar.max = of;
      bar.value = done;
      wait.querySelector('p').textContent = t('verdict.maps', { done, of });
    }
  };
  const deaf = hear('live', (e) => e.kind === 'progress' && Number(e.round) === number && show(e));
  get(`/api/rounds/${number}/verdict`, { wait_ms: 120000, ontell: show, alive: () => alive })
    .then((answer) => answer && alive && body.replaceChildren(...verdicts(number, answer)))
    .catch((e) => alive && body.replaceChildren(trouble(e)));
  return {
    title: t('verdict.title', { round: number }),
    live: ['clip', 'all'],
    of: String(number),
    node: [
      caution('verdict', 'open'),
      here > 0 ? el('p', { class: 'old' }, t('verdict.here', { n: here })) : null,
      body,
      link(t('back.round'), `#/walk/${number}`, 'back'),
    ],
    stop() {
      alive = false;
      deaf();
    },
  };
}

function verdicts(id, answer) {
  const doc = answer.body;
  const clips = worstFirst(doc.clips || []);
  const out = [oldNote(answer)];
  if (clips.length === 0) out.push(empty(t('verdict.none')));
  out.push(el('ol', { class: 'cards ranked' }, clips.map((c) => card(id, c))));
  const grounds = Array.isArray(doc.baseline) ? doc.baseline : doc.baseline ? [doc.baseline] : [];
  if (grounds.length > 0) {
    out.push(
      el(
        'details',
        {},
        el('summary', {}, t('verdict.ground')),
        el('ul', { class: 'plain' }, grounds.map((b) => el('li', {}, ground(b)))),
      ),
    );
  }
  return out.filter(Boolean);
}

function ground(b) {
  const spm = b.spm ? `${b.spm[0].toFixed(0)}–${b.spm[1].toFixed(0)}` : '–';
  return t('verdict.ground.line', { module: b.module ?? '–', n: b.clips, spm, angle: t(`angle.${b.angle}`) });
}

/** "9.4 times the limit", as the commands write it. */
export const times = (departure) => t('times', { n: departure < 10 ? departure.toFixed(1) : departure.toFixed(0) });

/** The half, or the one that the taps of a single clip propose. */
const half = (c) => (c.probable_half ? t('half.probable', { half: t(`half.${c.probable_half}`) }) : t(`half.${c.half || 'unknown'}`));

function card(id, c) {
  const facts = [];
  if (c.departure !== null && c.departure !== undefined) facts.push([t('verdict.far'), times(c.departure)]);
  if (c.pattern && c.verdict !== 'steady') facts.push([t('verdict.what'), `${t(`pattern.${c.pattern}`)}, ${half(c)}`]);
  if (c.excess_db !== null && c.excess_db !== undefined) facts.push([t('verdict.excess'), decibels(c.excess_db)]);
  if (c.band_hz) facts.push([t('verdict.band'), band(c.band_hz)]);
  if (c.arc_deg) facts.push([t('verdict.arc'), arc(c.arc_deg)]);
  if (c.departure !== null && c.departure !== undefined) facts.push([t('verdict.chance'), chance(c.false_alarm)]);
  if (c.spm) facts.push([t('verdict.heard'), t('verdict.heard.words', { spm: c.spm.toFixed(1), strokes: c.strokes ?? '–' })]);
  const next = `#/map/${id}/${c.module}`;
  return el(
    'li',
    { class: `card verdict is-${c.verdict}`, 'data-module': c.module, 'data-verdict': c.verdict, 'data-departure': c.departure ?? '' },
    el('h2', {}, t('module', { module: c.module }), ' ', badge(c.verdict)),
    c.reason ? el('p', { class: 'reading' }, t('verdict.reason', { reason: c.reason })) : null,
    c.reading ? el('p', { class: 'reading' }, c.reading) : null,
    el('dl', { class: 'facts' }, facts.map(([k, v]) => el('div', {}, el('dt', {}, k), el('dd', {}, v)))),
    (c.quality || []).length > 0
      ? el('ul', { class: 'quality' }, c.quality.map((q) => el('li', {}, el('strong', {}, t(`effect.${q.effect}`), ': '), q.text)))
      : null,
    c.verdict !== 'unjudged' ? link(t('verdict.where'), next, c.verdict === 'steady' ? 'button second' : 'button first', {}) : null,
  );
}
