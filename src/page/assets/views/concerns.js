// Open concerns: they stay in every note until somebody closes them.

import { choices, chosenIn, el, field } from '../lib/dom.js';
import { when } from '../lib/format.js';
import { get, mayEnter } from '../lib/net.js';
import { caution, empty, entryForm, oldNote, position, positionField } from '../lib/parts.js';
import { t } from '/texts.js';

export async function view() {
  const answer = await get('/api/concerns');
  const pumps = (await get('/api/pumps')).body;
  const words = el('textarea', { rows: '3', maxlength: '2000' });
  const of = choices(t('concerns.pump'), 'pump', [['', t('rig')], ...pumps.map((p) => [p.name, p.name])], '');
  const by = positionField();
  const form = entryForm({
    path: '/api/concerns',
    send: t('concerns.enter'),
    words: () => t('entry.concern'),
    fields: [field(t('concerns.words'), words), of, by.node],
    body() {
      if (!words.value.trim()) throw new Error(t('concerns.need'));
      return { pump: chosenIn(of) || null, words: words.value.trim(), by: by.read() };
    },
    done() {
      words.value = '';
    },
  });
  const list = answer.body.concerns;
  return {
    title: t('concerns.title'),
    live: ['concern', 'all'],
    node: [
      caution('open'),
      oldNote(answer),
      list.length === 0 ? empty(t('concerns.none')) : el('ul', { class: 'plain cards' }, list.map(card)),
      el('details', { id: 'new-concern' }, el('summary', {}, t('concerns.new')), form),
    ],
  };
}

function card(c) {
  const why = el('textarea', { rows: '2', maxlength: '1000' });
  const form = entryForm({
    path: `/api/concerns/${c.number}/close`,
    send: t('concerns.close'),
    words: () => t('entry.concern.close', { n: c.number }),
    fields: [field(t('concerns.why'), why)],
    body() {
      if (!why.value.trim()) throw new Error(t('concerns.why.need'));
      return { by: position.get(), why: why.value.trim() };
    },
    done() {},
  });
  return el(
    'li',
    { class: 'card' },
    el('p', {}, el('strong', {}, c.pump || t('rig'), ': '), c.words),
    el('p', { class: 'hint' }, t('concerns.since', { when: when(c.since), by: c.by })),
    mayEnter() ? el('details', {}, el('summary', {}, t('concerns.close.summary', { n: c.number })), form) : null,
  );
}
