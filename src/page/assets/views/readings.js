// Readings with their last value, limit and course, and what they say together.

import { el, link } from '../lib/dom.js';
import { when } from '../lib/format.js';
import { chart } from '../lib/chart.js';
import { get } from '../lib/net.js';
import { caution, empty, oldNote, pumpTabs, remarks } from '../lib/parts.js';
import { t } from '/texts.js';

export async function view(name) {
  const pumps = (await get('/api/pumps')).body;
  const pump = name || (pumps[0] && pumps[0].name);
  if (!pump) return { title: t('readings.title', { pump: '' }), node: [empty(t('home.none'))] };
  const answer = await get(`/api/readings?pump=${encodeURIComponent(pump)}`);
  const { readings, remarks: said } = answer.body;
  return {
    title: t('readings.title', { pump }),
    live: ['check', 'all'],
    node: [
      caution('limits'),
      pumpTabs(pumps, pump, (p) => `#/readings/${encodeURIComponent(p)}`),
      oldNote(answer),
      el('section', {}, el('h2', {}, t('readings.together')), remarks(said) || empty(t('readings.nothing'))),
      el('section', {}, el('h2', {}, t('readings.each')), readings.length === 0 ? empty(t('readings.none')) : readings.map(card)),
      link(t('more.checks'), '#/checks', 'back'),
    ],
  };
}

function card(r) {
  const module = r.module ? `, ${t('module', { module: r.module })}` : '';
  const last = r.last
    ? el('p', { class: 'value' }, el('strong', {}, r.last.shown), ` ${when(r.last.at)}`, r.last.outside ? el('span', { class: 'flag' }, ` ${t('outside')} `) : null)
    : el('p', { class: 'hint' }, t('last.none'));
  const points = (r.points || []).map((p) => ({ x: new Date(p.at).getTime(), y: p.value, words: p.shown }));
  return el(
    'article',
    { class: 'card' },
    el('h3', {}, `${r.check}: ${r.name}${module}`),
    last,
    el('p', { class: 'hint' }, t('limit', { limit: r.limits || t('limit.word.none') })),
    points.length > 1 ? chart({ points, words: t('readings.chart', { name: `${r.check} ${r.name}`, n: points.length }), unit: r.unit }) : null,
  );
}
