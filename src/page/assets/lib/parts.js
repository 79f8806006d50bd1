// Pieces that several views show: cautions, how a view looks when it waits, badges, forms that enter something.

import { tell } from './bus.js';
import { button, el, field, newId } from './dom.js';
import { when } from './format.js';
import { NoLine, Refused, mayEnter } from './net.js';
import * as sync from './sync.js';
import { t } from '/texts.js';

/** A caution where people act: 'ears', 'verdict', 'open', 'nitrogen', 'limits'. */
export const caution = (...which) =>
  el('div', { class: 'caution', role: 'note' }, el('strong', {}, t('caution'), '. '), which.map((w) => t(`caution.${w}`)).join(' '));

const SIGN = { departed: '!!', drifting: '!', unjudged: '?', steady: '=' };

/** The verdict as a word, a sign and a shape; colour only adds. */
export const badge = (state) =>
  el('span', { class: `badge ${state}` }, el('span', { class: 'sign', 'aria-hidden': 'true' }, SIGN[state] || '?'), ' ', t(`state.${state}`));

/** What is shown is not of this moment. */
export const oldNote = (answer) => (answer && answer.old ? el('p', { class: 'old', role: 'status' }, t('old', { when: when(answer.at) })) : null);

export const readOnly = () => (mayEnter() ? null : el('p', { class: 'old' }, t('reader')));

/** Says what went wrong, in words for a person. */
export function trouble(e, again) {
  const words = e instanceof NoLine ? t('noline') : e instanceof Refused ? e.message : t('broken', { what: e.message });
  return el('div', { class: 'trouble', role: 'alert' }, el('p', {}, words), again ? button(t('again'), again) : null);
}

/** Crew position, kept on this phone. */
export const position = {
  get: () => {
    try {
      return localStorage.getItem('by') || 'derrickman';
    } catch {
      return 'derrickman';
    }
  },
  set: (by) => {
    try {
      localStorage.setItem('by', by);
    } catch {
      // A browser that keeps nothing asks again next time.
    }
  },
};

const POSITIONS = ['derrickman', 'driller', 'toolpusher', 'mechanic', 'electrician', 'floorhand', 'relief derrickman'];

export function positionField(label, start = position.get()) {
  const list = newId('positions');
  const input = el('input', { type: 'text', list, value: start, autocomplete: 'off', maxlength: '60' });
  input.addEventListener('change', () => input.value.trim() && position.set(input.value.trim()));
  const node = field(label || t('by'), input, t('by.hint'));
  node.append(el('datalist', { id: list }, POSITIONS.map((p) => el('option', { value: p }))));
  return { node, read: () => input.value.trim() || start || 'derrickman' };
}

/**
 * A form that enters something. `spec`: {path, words, send, fields: nodes, body(): object or throws Error with words, photos(): those
 * that the body names by their checksum, done(answer, state)}.
 * Handles: sending, kept without a connection, asked about (unlikely values), refused.
 */
export function entryForm(spec) {
  const note = el('div', { class: 'outcome', 'aria-live': 'polite' });
  const go = el('button', { type: 'submit', class: 'first' }, spec.send);
  const form = el('form', { class: 'entry', novalidate: true, autocomplete: 'off' }, spec.fields, note, el('div', { class: 'row' }, go, spec.extra || null));
  let busy = false;
  async function settle(work) {
    if (busy) return;
    busy = true;
    go.disabled = true;
    note.replaceChildren(el('p', { role: 'status' }, t('sending')));
    try {
      const answer = await work();
      if (answer.state === 'asked') {
        ask(answer);
      } else {
        const words = t(answer.state === 'kept' ? 'kept.entry' : 'entered');
        tell('said', words);
        note.replaceChildren(el('p', { class: answer.state === 'kept' ? 'old' : 'good' }, words));
        // What is entered is not entered a second time by a second touch.
        form.dataset.done = 'yes';
        for (const node of [go, ...form.querySelectorAll('.field,.choices,.ask-field')]) node.hidden = true;
        spec.done(answer.body || null, answer.state, note, answer.key);
      }
    } catch (e) {
      note.replaceChildren(trouble(e));
    } finally {
      busy = false;
      go.disabled = false;
    }
  }
  function ask(answer) {
    const yes = button(t('ask.yes'), () => settle(() => sync.confirm(answer.key)), 'first');
    const no = button(t('ask.no'), async () => {
      await sync.drop(answer.key);
      note.replaceChildren();
      const first = form.querySelector('input');
      if (first) first.focus();
    });
    note.replaceChildren(el('div', { class: 'ask', role: 'alert' }, el('p', {}, answer.ask), el('div', { class: 'row' }, no, yes)));
    no.focus();
  }
  form.addEventListener('submit', (e) => {
    e.preventDefault();
    let body;
    try {
      body = spec.body();
    } catch (err) {
      note.replaceChildren(el('p', { class: 'problem', role: 'alert' }, err.message));
      return;
    }
    settle(() => sync.enter(typeof spec.path === 'function' ? spec.path() : spec.path, body, spec.words(), spec.after, spec.photos ? spec.photos() : []));
  });
  return mayEnter() ? form : el('div', {}, readOnly());
}

/** Remarks of the rules, most pressing first, each with a word for its weight. */
export function remarks(list) {
  const rank = { tell: 0, look: 1, missing: 2, fine: 3 };
  const sorted = [...(list || [])].sort((a, b) => (rank[a.weight] ?? 2) - (rank[b.weight] ?? 2));
  if (sorted.length === 0) return null;
  return el(
    'ul',
    { class: 'remarks' },
    sorted.map((r) => el('li', { class: `weight-${r.weight}` }, el('strong', {}, t(`weight.${r.weight}`), ': '), r.words || r.text)),
  );
}

/** Which pump a view is about, where there are several. */
export function pumpTabs(pumps, chosen, to) {
  if (pumps.length < 2) return null;
  return el(
    'nav',
    { class: 'tabs', 'aria-label': t('pumps') },
    pumps.map((p) => el('a', { href: to(p.name), 'aria-current': p.name === chosen ? 'page' : null }, p.name)),
  );
}

export const empty = (words) => el('p', { class: 'empty' }, words);
