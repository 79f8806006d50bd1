// All else: where to go, how the page looks, who enters, what this phone can do.

import { choices, el, link } from '../lib/dom.js';
import { me } from '../lib/net.js';
import { caution, positionField } from '../lib/parts.js';
import { canRecord } from '../lib/sound.js';
import { theme } from '../lib/theme.js';
import { t } from '/texts.js';

export async function view() {
  const by = positionField(t('more.by'));
  const place = (key) => el('li', {}, link(t(`more.${key}`), `#/${key}`, 'line-link'));
  return {
    title: t('more.title'),
    node: [
      el(
        'ul',
        { class: 'plain menu' },
        ['readings', 'parts', 'work', 'concerns', 'trends', 'good', 'kept'].map(place),
      ),
      el('section', {}, el('h2', {}, t('more.look')), choices(t('more.theme'), 'theme', [['auto', t('theme.auto')], ['light', t('theme.light')], ['dark', t('theme.dark')]], theme.get(), (v) => theme.set(v))),
      el('section', {}, el('h2', {}, t('more.you')), by.node, el('p', { class: 'hint' }, t(`role.${me.role || 'none'}`))),
      el('section', {}, el('h2', {}, t('more.phone')), el('ul', {}, phone().map((w) => el('li', {}, w))), me.secure ? link(t('phone.certificate'), '/certificate.crt', 'button second') : null),
      caution('ears', 'verdict', 'open', 'nitrogen', 'limits'),
      el('p', { class: 'hint' }, t('more.version', { version: me.version || '–' })),
    ],
  };
}

/** What this phone and this connection can do, said plainly. */
function phone() {
  return [
    t(canRecord() ? 'phone.record' : 'phone.norecord'),
    t(window.indexedDB ? 'phone.keeps' : 'phone.nokeeps'),
    t(navigator.serviceWorker && navigator.serviceWorker.controller ? 'phone.offline' : 'phone.nooffline'),
  ];
}
