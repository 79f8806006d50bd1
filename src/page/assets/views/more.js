// All else: where to go, how the page looks, who enters, what this phone can do.

import { choices, el, link } from '../lib/dom.js';
import { get, me } from '../lib/net.js';
import { caution, positionField } from '../lib/parts.js';
import { canRecord } from '../lib/sound.js';
import { theme } from '../lib/theme.js';
import { t } from '/texts.js';

export async function view() {
  const pumps = await get('/api/pumps').then((a) => a.body, () => []);
  const by = positionField(t('more.by'));
  const of = (stem, key) => pumps.map((p) => el('li', {}, link(pumps.length > 1 ? t('of.pump', { what: t(key), pump: p.name }) : t(key), `#/${stem}/${encodeURIComponent(p.name)}`, 'line-link')));
  return {
    title: t('more.title'),
    node: [
      el(
        'ul',
        { class: 'plain menu' },
        of('readings', 'more.readings'),
        of('parts', 'more.parts'),
        of('work', 'more.work'),
        el('li', {}, link(t('more.concerns'), '#/concerns', 'line-link')),
        of('trends', 'more.trends'),
        of('good', 'more.good'),
        el('li', {}, link(t('more.kept'), '#/kept', 'line-link')),
      ),
      el('section', {}, el('h2', {}, t('more.look')), choices(t('more.theme'), 'theme', [['auto', t('theme.auto')], ['light', t('theme.light')], ['dark', t('theme.dark')]], theme.get(), (v) => theme.set(v))),
      el('section', {}, el('h2', {}, t('more.you')), by.node, el('p', { class: 'hint' }, t(`role.${me.role || 'none'}`))),
      el('section', {}, el('h2', {}, t('more.phone')), el('ul', {}, phone().map((w) => el('li', {}, w)))),
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
