// Pairing: the code that the laptop shows.

import { tell } from '../lib/bus.js';
import { el, field } from '../lib/dom.js';
import { NoLine, ask, me, whoAmI } from '../lib/net.js';
import * as sync from '../lib/sync.js';
import { t } from '/texts.js';

export async function view(code) {
  const input = el('input', {
    type: 'text', autocomplete: 'one-time-code', autocapitalize: 'characters', spellcheck: 'false', class: 'code', value: code || '', maxlength: '40',
  });
  const note = el('div', { 'aria-live': 'assertive', class: 'outcome' });
  const go = el('button', { type: 'submit', class: 'first' }, t('pair.send'));
  const form = el('form', { class: 'entry', novalidate: true }, field(t('pair.code'), input, t('pair.hint')), note, el('div', { class: 'row' }, go));
  const kept = await sync.counts().catch(() => ({ entries: 0, clips: 0 }));

  async function pair() {
    go.disabled = true;
    try {
      const { status, body } = await ask('POST', '/api/pair', { code: input.value.trim() });
      if (status === 200) {
        Object.assign(me, { paired: true, role: body.role, token: body.token });
        history.replaceState(null, '', '#/');
        await whoAmI();
        tell('me');
        sync.run();
        return;
      }
      const words = status === 429 ? t('pair.wait', { s: Math.ceil((body && body.wait_s) || 60) }) : t('pair.wrong');
      note.replaceChildren(el('p', { class: 'problem' }, words));
      input.select();
    } catch (e) {
      note.replaceChildren(el('p', { class: 'problem' }, e instanceof NoLine ? t('noline') : t('broken', { what: e.message })));
    } finally {
      go.disabled = false;
    }
  }
  form.addEventListener('submit', (e) => {
    e.preventDefault();
    pair();
  });
  if (code) setTimeout(pair, 0);
  const waiting = kept.entries + kept.clips > 0 ? el('p', { class: 'old' }, t('pair.kept', { entries: kept.entries, clips: kept.clips })) : null;
  return { title: t('pair.title'), node: [el('p', {}, t('pair.what')), waiting, form] };
}
