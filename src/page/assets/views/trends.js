// How each module's departure has gone over the rounds.

import { el, link } from '../lib/dom.js';
import { chart } from '../lib/chart.js';
import { get } from '../lib/net.js';
import { caution, empty, oldNote, pumpTabs } from '../lib/parts.js';
import { times } from './verdict.js';
import { t } from '/texts.js';

export async function view(name) {
  const pumps = (await get('/api/pumps')).body;
  const pump = name || (pumps[0] && pumps[0].name);
  if (!pump) return { title: t('trends.title', { pump: '' }), node: [empty(t('home.none'))] };
  const answer = await get(`/api/trend?pump=${encodeURIComponent(pump)}`, { wait_ms: 60000 });
  return {
    title: t('trends.title', { pump }),
    live: ['verdict', 'all'],
    node: [
      caution('verdict', 'open'),
      pumpTabs(pumps, pump, (p) => `#/trends/${encodeURIComponent(p)}`),
      oldNote(answer),
      el('p', { class: 'hint' }, t('trends.what')),
      el('div', { class: 'cards' }, answer.body.modules.map(card)),
      link(t('more.good'), `#/good/${encodeURIComponent(pump)}`, 'back'),
    ],
  };
}

function card(m) {
  const points = m.points.map((p) => ({ x: 1000 * p.time_s, y: p.departure, mark: p.departure > 1, words: times(p.departure) }));
  const last = m.points[m.points.length - 1];
  return el(
    'section',
    { class: 'card' },
    el('h2', {}, t('module', { module: m.module ?? '–' }), ' ', el('span', { class: 'flag' }, ` ${t(`trend.${m.state}`)} `)),
    el('p', {}, m.sentence),
    last ? el('p', { class: 'hint' }, t('trends.last', { times: times(last.departure), chart: Math.round(100 * last.chart) })) : null,
    chart({ points, lines: [{ y: 1, words: t('trends.limit') }], words: m.sentence }),
  );
}
