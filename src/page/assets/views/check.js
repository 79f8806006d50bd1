// One check: what was read, with its unit, last value and limit; or why it is left out.

import { button, choices, chosenIn, el, field, link } from '../lib/dom.js';
import { when } from '../lib/format.js';
import { numberField } from '../lib/pad.js';
import { caution, entryForm, oldNote, position, positionField, remarks } from '../lib/parts.js';
import { photoField, smallPhoto } from '../lib/photo.js';
import { checkLink, dueWithKept, isOpen, target } from './checks.js';
import { t } from '/texts.js';

/** Words by which a check is known to touch pressure, so that the caution for it stands beside it. */
const CAUTIONS = [[/nitrogen|precharge/i, 'nitrogen'], [/permit|isolated|torque/i, 'open'], [/relief/i, 'relief']];

export async function view(check, pump, module) {
  const { answer, items } = await dueWithKept();
  const same = (i) => i.check === check && (i.target.pump || '-') === pump && String(i.target.module ?? '-') === module;
  const item = items.find(same);
  if (!item) throw new Error(t('nocheck', { check }));
  const title = `${item.target.pump || t('rig')}${target(item) ? `, ${target(item)}` : ''}: ${check}`;
  const asks = (item.asks || []).map((a) => askField(a, title));
  const by = positionField();
  const where = { check, pump: item.target.pump, module: item.target.module };
  const form = entryForm({
    path: '/api/checks',
    send: t('check.enter'),
    words: () => t('entry.check', { check, pump: item.target.pump || t('rig') }),
    fields: [asks.map((a) => a.node), by.node],
    body() {
      const given = {};
      for (const a of asks) {
        const text = a.read();
        if (text) given[a.name] = text;
      }
      if (Object.keys(given).length === 0) throw new Error(t('check.nothing'));
      return { ...where, answer: given, by: by.read() };
    },
    photos: () => asks.map((a) => a.photo && a.photo()).filter(Boolean),
    done(body, state, note) {
      after(note, body, items, item);
    },
  });
  const reason = el('textarea', { rows: '2', maxlength: '1000' });
  const skip = entryForm({
    path: '/api/checks',
    send: t('check.skip'),
    words: () => t('entry.skip', { check }),
    fields: [field(t('check.reason'), reason, t('check.reason.hint'))],
    body() {
      if (!reason.value.trim()) throw new Error(t('check.reason.need'));
      return { ...where, skip_reason: reason.value.trim(), by: position.get() };
    },
    done(body, state, note) {
      after(note, body, items, item);
    },
  });
  const words = `${item.text} ${item.note || ''}`;
  const cautions = CAUTIONS.filter(([find]) => find.test(words)).map(([, name]) => name);
  return {
    title,
    node: [
      caution('ears', ...cautions, 'limits'),
      oldNote(answer),
      el('p', { class: 'lead' }, item.text),
      item.note ? el('p', { class: 'hint' }, item.note) : null,
      item.state === 'done' ? el('p', { class: 'old' }, t('check.done', { when: when(item.at) })) : null,
      item.state === 'no-hours' ? link(t('hours.there'), `#/parts/${encodeURIComponent(item.target.pump)}`, 'button second') : null,
      form,
      el('details', {}, el('summary', {}, t('check.skip.summary')), skip),
      link(t('back.checks'), '#/checks', 'back'),
    ],
  };
}

function after(note, body, items, item) {
  const entered = (body && body.entered) || body || {};
  const outside = Array.isArray(entered.outside) ? entered.outside : [];
  const rest = items.filter((i) => i !== item && isOpen(i) && !i.kept);
  const here = items.indexOf(item);
  const next = rest.find((i) => items.indexOf(i) > here) || rest[0];
  note.append(
    ...[
      outside.length > 0 ? el('ul', { class: 'problem' }, outside.map((w) => el('li', {}, el('strong', {}, t('outside'), ': '), w))) : null,
      remarks((entered.remarks || []).filter((r) => r.weight !== 'missing')),
      next ? link(t('check.next', { check: next.check, pump: next.target.pump || t('rig') }), checkLink(next), 'button first') : el('p', {}, t('due.none')),
    ].filter(Boolean),
  );
  note.querySelector('a, p').focus();
}

/** A field for each kind of answer. */
function askField(ask, what) {
  const last = ask.last && ask.last.shown ? t('last', { value: ask.last.shown, when: when(ask.last.at) }) : t('last.none');
  if (ask.kind === 'ok') {
    const group = choices(ask.name, `ask-${ask.name}`, [['ok', t('check.ok')], ['attention', t('check.attention')]], null, (v) => {
      more.hidden = v !== 'attention';
    });
    const words = el('textarea', { rows: '2', maxlength: '1000' });
    const more = field(t('check.attention.what', { name: ask.name }), words);
    more.hidden = true;
    const clear = button(t('check.clear'), () => {
      for (const i of group.querySelectorAll('input')) i.checked = false;
      more.hidden = true;
    }, 'quiet');
    return {
      name: ask.name,
      node: el('div', { class: 'ask-field' }, group, more, clear),
      read() {
        const chosen = chosenIn(group);
        if (chosen === 'attention' && !words.value.trim()) throw new Error(t('check.attention.need', { name: ask.name }));
        return chosen === 'attention' ? `attention ${words.value.trim()}` : chosen || '';
      },
    };
  }
  if (ask.kind === 'text') {
    const words = el('textarea', { rows: '2', maxlength: '1000' });
    return { name: ask.name, node: field(ask.name, words), read: () => words.value.trim() };
  }
  if (ask.kind === 'photo') {
    const photo = photoField(ask.name);
    const before = ask.last && ask.last.photo ? smallPhoto(ask.last.photo, `${what}, ${when(ask.last.at)}`) : null;
    const head = before ? el('p', { class: 'hint' }, t('photo.last', { when: when(ask.last.at) })) : null;
    return { name: ask.name, node: el('div', { class: 'ask-field' }, photo.node, head, before), read: () => (photo.read() ? photo.read().sha256 : ''), photo: photo.read };
  }
  const limit = ask.limits ? t('limit', { limit: ask.limits }) : t('limit.none');
  const number = numberField({ label: ask.name, kind: ask.kind, unit: ask.unit, hint: `${last}. ${limit}.` });
  return { name: ask.name, node: number.node, read: () => number.read() };
}
