// The pumps: start or go on with a round, and what is known of each.

import { el, link } from '../lib/dom.js';
import { when } from '../lib/format.js';
import { get, mayEnter } from '../lib/net.js';
import { badge, caution, empty, oldNote, readOnly } from '../lib/parts.js';
import * as sync from '../lib/sync.js';
import { t } from '/texts.js';

async function lastRounds(pump) {
  try {
    return (await get(`/api/rounds?pump=${encodeURIComponent(pump)}`)).body;
  } catch {
    return [];
  }
}

export async function view() {
  const answer = await get('/api/pumps');
  const { entries } = await sync.kept().catch(() => ({ entries: [] }));
  const cards = await Promise.all(answer.body.map((pump) => card(pump, entries)));
  return {
    title: t('home.title'),
    live: ['round', 'clip', 'verdict', 'all'],
    node: [
      caution('ears'),
      oldNote(answer),
      readOnly(),
      answer.body.length === 0 ? empty(t('home.none')) : el('div', { class: 'cards' }, cards),
    ],
  };
}

async function card(pump, entries) {
  const rounds = await lastRounds(pump.name);
  const here = entries.filter((e) => e.path === '/api/rounds' && e.body.pump === pump.name);
  const name = encodeURIComponent(pump.name);
  const judged = rounds.find((r) => r.worst);
  const actions = [];
  for (const e of here) actions.push(link(t('home.goon.here', { when: when(e.body.at) }), `#/walk/k-${e.key}`, 'button first'));
  if (pump.open_round) {
    const open = rounds.find((r) => r.id === pump.open_round);
    actions.push(link(t('home.goon', { round: pump.open_round, when: open ? when(open.started) : '' }), `#/walk/${pump.open_round}`, 'button first'));
  } else if (mayEnter() && here.length === 0) {
    actions.push(link(t('home.start'), `#/round/${name}`, 'button first'));
  }
  const facts = [
    pump.liner ? t('home.liner', { liner: pump.liner }) : null,
    pump.rating ? t('home.rating', { rating: pump.rating }) : t('home.norating'),
    t('home.modules', { n: pump.spots.length > 0 ? new Set(pump.spots.map((s) => s.module)).size : pump.modules }),
  ].filter(Boolean);
  return el(
    'section',
    { class: 'card', 'aria-label': t('pump', { pump: pump.name }) },
    el('h2', {}, pump.name),
    judged
      ? el('p', { class: 'line' }, badge(judged.worst.verdict), ' ', link(t('home.worst', { module: judged.worst.module, when: when(judged.started) }), `#/verdict/${judged.id}`))
      : el('p', { class: 'hint' }, t('home.nojudged')),
    el('p', { class: 'hint' }, facts.join(' · ')),
    el('div', { class: 'stack' }, actions),
    rounds.length > 0 ? older(rounds) : null,
  );
}

function older(rounds) {
  return el(
    'details',
    {},
    el('summary', {}, t('home.rounds', { n: rounds.length })),
    el(
      'ul',
      { class: 'plain' },
      rounds.slice(0, 12).map((r) => {
        const words = t('home.round', { round: r.id, when: when(r.started), clips: Array.isArray(r.clips) ? r.clips.length : r.clips });
        return el('li', {}, link(words, `#/walk/${r.id}`, 'line-link'), r.worst ? badge(r.worst.verdict) : null);
      }),
    ),
  );
}
