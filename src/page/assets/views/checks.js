// What of the check sheet is due, in walking order.

import { choices, el } from '../lib/dom.js';
import { time, when } from '../lib/format.js';
import { get, me } from '../lib/net.js';
import { empty, oldNote, readOnly } from '../lib/parts.js';
import * as sync from '../lib/sync.js';
import { t } from '/texts.js';

export const isOpen = (item) => item.state === 'due' || item.state === 'overdue' || item.state === 'no-hours';

/** The checks with what is kept on this phone taken into account. */
export async function dueWithKept() {
  const answer = await get('/api/due');
  if (answer.body.zone) me.zone = answer.body.zone;
  const { entries } = await sync.kept().catch(() => ({ entries: [] }));
  const here = entries.filter((e) => e.path === '/api/checks');
  const waiting = (item) =>
    here.find((e) => e.body.check === item.check && (e.body.pump || null) === (item.target.pump || null) && (e.body.module || null) === (item.target.module || null));
  return { answer, items: answer.body.checks.map((item) => ({ ...item, kept: Boolean(waiting(item)) })) };
}

export const checkLink = (item) =>
  `#/check/${encodeURIComponent(item.check)}/${item.target.pump ? encodeURIComponent(item.target.pump) : '-'}/${item.target.module ?? '-'}`;

export const target = (item) =>
  item.target.module ? t('module', { module: item.target.module }) : '';

function standing(item) {
  if (item.kept) return t('due.kept');
  switch (item.state) {
    case 'due':
      return t('due.by', { when: time(item.by) });
    case 'overdue':
      return item.since ? t('due.since', { when: when(item.since) }) : t('due.never');
    case 'done':
      return t(item.attention ? 'due.done.attention' : 'due.done', { when: when(item.at) });
    case 'skipped':
      return t('due.skipped', { reason: item.reason });
    case 'later':
      return t('due.later', { when: when(item.from) });
    default:
      return t('due.nohours');
  }
}

const SIGN = { due: '○', overdue: '!!', done: '✓', skipped: '–', later: '→', 'no-hours': '?' };
let all = false;

export async function view() {
  const { answer, items } = await dueWithKept();
  const list = el('div', {});
  const draw = () => {
    const shown = items.filter((i) => all || (isOpen(i) && !i.kept));
    const groups = [];
    for (const item of shown) {
      const name = item.target.pump || t('rig');
      const last = groups[groups.length - 1];
      if (last && last.name === name) last.items.push(item);
      else groups.push({ name, items: [item] });
    }
    list.replaceChildren(
      ...(shown.length === 0
        ? [empty(t('due.none'))]
        : groups.map((g) => el('section', {}, el('h2', {}, g.name), el('ul', { class: 'plain tasks' }, g.items.map(row))))),
    );
  };
  draw();
  const open = items.filter((i) => isOpen(i) && !i.kept).length;
  return {
    title: t('due.title'),
    live: ['check', 'hours', 'all', 'queue'],
    node: [
      oldNote(answer),
      readOnly(),
      el('p', {}, t('due.count', { n: open, from: time(answer.body.tour[0]), to: time(answer.body.tour[1]) })),
      answer.body.own_sheet ? null : el('p', { class: 'hint' }, t('due.default')),
      choices(t('due.show'), 'show', [['open', t('due.open')], ['all', t('due.all')]], all ? 'all' : 'open', (v) => {
        all = v === 'all';
        draw();
      }),
      list,
    ],
  };
}

function row(item) {
  const made = item.wanted > 1 ? t('due.made', { made: item.made, wanted: item.wanted }) : null;
  return el(
    'li',
    {},
    el(
      'a',
      { href: checkLink(item), class: `task is-${item.kept ? 'kept' : item.state}` },
      el('span', { class: 'sign', 'aria-hidden': 'true' }, item.kept ? '◐' : SIGN[item.state] || '?'),
      el(
        'span',
        { class: 'what' },
        el('strong', {}, target(item) ? `${target(item)}: ` : '', item.text),
        el('span', { class: 'hint' }, el('b', {}, t(item.kept ? 'due.state.kept' : `due.state.${item.state}`)), ' · ', [standing(item), item.every, made].filter(Boolean).join(' · ')),
      ),
    ),
  );
}
