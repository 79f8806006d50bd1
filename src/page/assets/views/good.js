// Known-good rounds: the program proposes, a person who has listened accepts.

import { el } from '../lib/dom.js';
import { when } from '../lib/format.js';
import { get, mayEnter } from '../lib/net.js';
import { caution, empty, entryForm, oldNote, positionField, pumpTabs } from '../lib/parts.js';
import { t } from '/texts.js';

export async function view(name) {
  const pumps = (await get('/api/pumps')).body;
  const pump = name || (pumps[0] && pumps[0].name);
  if (!pump) return { title: t('good.title', { pump: '' }), node: [empty(t('home.none'))] };
  const answer = await get(`/api/baseline?pump=${encodeURIComponent(pump)}`, { wait_ms: 120000 });
  const { modules, proposals } = answer.body;
  return {
    title: t('good.title', { pump }),
    live: ['verdict', 'all'],
    node: [
      caution('verdict'),
      pumpTabs(pumps, pump, (p) => `#/good/${encodeURIComponent(p)}`),
      oldNote(answer),
      el('p', { class: 'hint' }, t('good.what')),
      el('section', {}, el('h2', {}, t('good.now')), el('ul', { class: 'plain cards' }, modules.map(standing))),
      el('section', {}, el('h2', {}, t('good.proposals')), proposals.length === 0 ? empty(t('good.none')) : el('ul', { class: 'plain cards' }, proposals.map(proposal))),
    ],
  };
}

function standing(s) {
  const facts = [t('good.rounds', { n: s.rounds.length })];
  if (s.spm) facts.push(t('at.spm', { spm: `${s.spm[0].toFixed(0)}–${s.spm[1].toFixed(0)}` }));
  if (s.scatter_db !== null && s.scatter_db !== undefined) facts.push(t('good.scatter', { db: s.scatter_db.toFixed(1) }));
  return el(
    'li',
    { class: 'card' },
    el('strong', {}, t('module', { module: s.module })),
    el('span', { class: 'hint' }, facts.join(' · ')),
    s.rounds.length < 3 ? el('p', { class: 'problem' }, t('good.few')) : null,
    s.restart ? el('p', { class: 'hint' }, t('good.restart', { when: when(s.restart.at), why: s.restart.why })) : null,
    (s.odd || []).map((o) => el('p', { class: 'problem' }, t('good.odd', { file: o.file, n: o.departure.toFixed(1) }))),
  );
}

function proposal(p) {
  const by = positionField();
  const form = entryForm({
    path: '/api/baseline/accept',
    send: t('good.accept', { round: p.round }),
    words: () => t('entry.good', { round: p.round }),
    fields: [el('p', {}, t('good.listened')), by.node],
    body: () => ({ round: p.round, modules: [], by: by.read() }),
    done() {},
  });
  return el(
    'li',
    { class: 'card' },
    el('strong', {}, t('good.round', { round: p.round, when: when(p.at) })),
    el('p', {}, el('span', { class: 'flag' }, ` ${t(p.fit ? 'good.fit' : 'good.unfit')} `), ` ${p.why.join('; ')}`),
    mayEnter() ? el('details', {}, el('summary', {}, t('good.accept.summary', { round: p.round })), form) : null,
  );
}
