// The operating point at which the round is walked: strokes a minute, pressure, mud weight; the last values are offered, not assumed.

import { button, el, field, link } from '../lib/dom.js';
import { when } from '../lib/format.js';
import { get } from '../lib/net.js';
import { numberField, parts } from '../lib/pad.js';
import { caution, entryForm, oldNote, positionField } from '../lib/parts.js';
import { t } from '/texts.js';

export async function view(name) {
  const answer = await get('/api/pumps');
  const pump = answer.body.find((p) => p.name === name);
  if (!pump) throw new Error(t('nopump', { pump: name }));
  const us = pump.units !== 'si';
  const last = pump.last_point;
  const spm = numberField({ label: t('spm'), hint: t('spm.hint'), required: true });
  const pressure = numberField({ label: t('pressure'), kind: 'pressure', unit: last && last.pressure ? parts(last.pressure).unit : us ? 'psi' : 'bar', hint: t('pressure.hint') });
  const mud = numberField({ label: t('mud'), kind: 'density', unit: last && last.mud ? parts(last.mud).unit : us ? 'ppg' : 'kg/m3', hint: t('optional') });
  const by = positionField(t('by'));
  const remarks = el('textarea', { rows: '2', maxlength: '2000' });
  const offer = last
    ? button(t('point.last', { spm: last.spm ?? '–', pressure: last.pressure || '–', mud: last.mud || '–' }), () => {
        spm.set(last.spm === null || last.spm === undefined ? '' : String(last.spm));
        pressure.set(last.pressure || '');
        mud.set(last.mud || '');
        spm.focus();
      })
    : null;
  const form = entryForm({
    path: '/api/rounds',
    send: t('point.start'),
    words: () => t('entry.round', { pump: name }),
    fields: [offer, last ? el('p', { class: 'hint' }, t('point.check')) : null, spm.node, pressure.node, mud.node, by.node, field(t('remarks'), remarks, t('optional'))],
    body() {
      // The server reads the numbers. Without a connection it can't ask at once, and clips would wait for a round that it refuses later:
      // so a text that is none, or that has two readings, is asked about here.
      const need = (numeric, wrong, words) => {
        numeric.problem(wrong ? t(words) : null);
        if (!wrong) return;
        numeric.focus();
        throw new Error(t(words));
      };
      need(spm, !/^\d+([.,]\d+)?$/.test(spm.read()), 'spm.need');
      for (const numeric of [pressure, mud]) need(numeric, /^[1-9]\d{0,2}[.,]\d{3}\s/.test(numeric.read()), 'point.two');
      return { pump: name, spm: spm.read(), pressure: pressure.read() || null, mud: mud.read() || null, crew: by.read(), remarks: remarks.value.trim() || null };
    },
    done(round, state, _note, key) {
      location.hash = state === 'kept' || !round ? `#/walk/k-${key}` : `#/walk/${round.id}`;
    },
  });
  return {
    title: t('point.title', { pump: name }),
    node: [
      caution('ears'),
      oldNote(answer),
      pump.open_round ? el('p', { class: 'old' }, link(t('point.open', { round: pump.open_round }), `#/walk/${pump.open_round}`), ` (${t('point.open.why')})`) : null,
      pump.rating ? el('p', { class: 'hint' }, t('point.rating', { rating: pump.rating, liner: pump.liner || '' })) : el('p', { class: 'hint' }, t('home.norating')),
      form,
    ],
  };
}

export const describe = (round) =>
  [round.spm ? t('at.spm', { spm: round.spm }) : null, round.pressure, round.mud, round.started ? when(round.started) : null].filter(Boolean).join(' · ');
