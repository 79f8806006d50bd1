// The handover note as it stands; sign-off of giver and receiver; amendments.

import { choices, el, field } from '../lib/dom.js';
import { when } from '../lib/format.js';
import { get, line, mayEnter } from '../lib/net.js';
import { caution, entryForm, oldNote, positionField } from '../lib/parts.js';
import { t } from '/texts.js';

export async function view(tour = 'now') {
  const answer = await get(`/api/handover?tour=${tour}`, { wait_ms: 120000 });
  const note = answer.body;
  const steps = note.first_steps || [];
  const page = `/handover.html?tour=${tour}`;
  return {
    title: t(tour === 'now' ? 'note.title' : 'note.title.last'),
    live: ['handover', 'all'],
    node: [
      caution('verdict', 'open'),
      oldNote(answer),
      choices(t('note.tour'), 'tour', [['now', t('note.now')], ['last', t('note.last')]], tour, (v) => {
        location.hash = `#/handover/${v}`;
      }),
      note.tour ? el('p', { class: 'hint' }, t('note.span', { from: when(note.tour[0]), to: when(note.tour[1]) })) : null,
      el('section', {}, el('h2', {}, t('note.first')), steps.length === 0 ? el('p', {}, t('note.first.none')) : el('ol', {}, steps.map((s) => el('li', {}, s)))),
      state(note),
      el('section', {}, el('h2', {}, t('note.preview')), line.up && !answer.old ? preview(page) : el('p', { class: 'old' }, t('note.needs.line'))),
      mayEnter() ? signing(note, tour) : null,
    ],
  };
}

function preview(page) {
  return [
    el('iframe', { src: page, sandbox: '', title: t('note.frame'), class: 'note', loading: 'lazy' }),
    el('p', {}, el('a', { href: page, target: '_blank', rel: 'noopener', class: 'button second' }, t('note.open'))),
  ];
}

function state(note) {
  if (!note.signed) return el('p', { class: 'old' }, t('note.unsigned'));
  return el(
    'section',
    {},
    el('h2', {}, t('note.signed')),
    el('p', {}, t('note.signed.by', { giver: note.giver })),
    el('p', {}, note.taken_over ? t('note.taken.by', { receiver: note.taken_over.by, at: when(note.taken_over.at) || note.taken_over.at }) : t('note.taken.nobody')),
    el('p', { class: 'hint break' }, t('note.print', { sum: note.sha256 })),
    (note.amendments || []).length > 0 ? el('ul', {}, note.amendments.map((a) => el('li', {}, `${when(a.at) || a.at}, ${a.by}: ${a.text}`))) : null,
  );
}

function signing(note, tour) {
  const at = tour === 'now' ? {} : { tour };
  if (!note.signed) {
    const by = positionField(t('note.giver'));
    const form = entryForm({
      path: '/api/handover/sign',
      send: t('note.sign'),
      words: () => t('entry.sign'),
      fields: [el('p', {}, t('note.sign.what')), by.node],
      body: () => ({ by: by.read(), ...at }),
      done() {},
    });
    return el('details', {}, el('summary', {}, t('note.sign.summary')), form);
  }
  // Nobody takes over from himself.
  const receiver = positionField(t('note.receiver'), t('note.receiver.relief', { giver: note.giver }));
  const receive = entryForm({
    path: '/api/handover/receive',
    send: t('note.receive'),
    words: () => t('entry.receive'),
    fields: [el('p', {}, t('note.receive.what')), receiver.node],
    body: () => ({ by: receiver.read(), ...at }),
    done() {},
  });
  const words = el('textarea', { rows: '3', maxlength: '2000' });
  const who = positionField();
  const amend = entryForm({
    path: '/api/handover/amend',
    send: t('note.amend'),
    words: () => t('entry.amend'),
    fields: [field(t('note.amend.words'), words, t('note.amend.hint')), who.node],
    body() {
      if (!words.value.trim()) throw new Error(t('note.amend.need'));
      return { by: who.read(), words: words.value.trim(), ...at };
    },
    done() {},
  });
  return [
    note.taken_over ? null : el('details', {}, el('summary', {}, t('note.receive.summary')), receive),
    el('details', {}, el('summary', {}, t('note.amend.summary')), amend),
  ];
}
