// Opening a fluid end, step by step: a record of what was confirmed and what the site still has to confirm. It clears nothing.

import { button, choices, chosenIn, el, field } from '../lib/dom.js';
import { get, mayEnter } from '../lib/net.js';
import { numberField } from '../lib/pad.js';
import { caution, empty, entryForm, oldNote, position, positionField, pumpTabs } from '../lib/parts.js';
import { t } from '/texts.js';

const SIGN = { open: '○', confirmed: '✓', 'left-out': '!!' };

export async function view(name) {
  const pumps = (await get('/api/pumps')).body;
  const pump = name || (pumps[0] && pumps[0].name);
  if (!pump) return { title: t('work.title', { pump: '' }), node: [empty(t('home.none'))] };
  const answer = await get(`/api/work?pump=${encodeURIComponent(pump)}`);
  const { jobs } = answer.body;
  const running = jobs.filter((j) => j.stage === 'preparing' || j.stage === 'open');
  const ended = jobs.filter((j) => !running.includes(j));
  return {
    title: t('work.title', { pump }),
    live: ['work', 'all'],
    node: [
      caution('open', 'record'),
      pumpTabs(pumps, pump, (p) => `#/work/${encodeURIComponent(p)}`),
      oldNote(answer),
      running.length === 0 ? empty(t('work.none')) : running.map(job),
      mayEnter() ? el('details', {}, el('summary', {}, t('work.new')), start(pump)) : null,
      ended.length > 0
        ? el('details', {}, el('summary', {}, t('work.ended', { n: ended.length })), el('ul', { class: 'plain' }, ended.map((j) => el('li', { class: 'card' }, el('strong', {}, `${j.number}: ${j.what}`), el('span', { class: 'hint' }, t(`stage.${j.stage}`))))))
        : null,
    ],
  };
}

function start(pump) {
  const words = el('textarea', { rows: '2', maxlength: '500' });
  const by = positionField();
  return entryForm({
    path: '/api/work',
    send: t('work.start'),
    words: () => t('entry.work'),
    fields: [field(t('work.what'), words, t('work.what.hint')), by.node],
    body() {
      if (!words.value.trim()) throw new Error(t('work.need'));
      return { pump, words: words.value.trim(), by: by.read() };
    },
    done() {},
  });
}

function job(j) {
  const steps = (j.steps || []).filter((s) => (j.stage === 'open' ? !s.before || s.state === 'left-out' : s.before));
  const open = j.unconfirmed_words || j.unconfirmed || [];
  return el(
    'section',
    { class: 'card job', 'aria-label': `${j.number}: ${j.what}` },
    el('h2', {}, `${j.number}: ${j.what}`),
    el('p', {}, el('span', { class: 'flag' }, ` ${t(`stage.${j.stage}`)} `)),
    open.length > 0
      ? el('div', { class: 'problem' }, el('p', {}, t('work.unconfirmed')), el('ul', {}, open.map((w) => el('li', {}, w))))
      : el('p', {}, t('work.answered')),
    el('p', { class: 'hint' }, j.remark),
    el('ol', { class: 'plain steps' }, steps.map((s) => step(j, s))),
    mayEnter() ? end(j) : null,
  );
}

function step(j, s) {
  const head = el(
    'span',
    { class: 'what' },
    el('span', { class: 'sign', 'aria-hidden': 'true' }, `${SIGN[s.state]} `),
    el('strong', {}, s.question),
    el('span', { class: 'hint' }, el('b', {}, t(`step.${s.state}`)), s.words ? ` · ${s.words}` : ''),
  );
  if (s.state === 'confirmed' || !mayEnter()) return el('li', { class: 'card' }, head);
  return el('li', { class: 'card' }, el('details', {}, el('summary', {}, head), confirm(j, s), leaveOut(j, s)));
}

function confirm(j, s) {
  const by = positionField();
  let input = null;
  let node = null;
  if (s.answer === 'count') {
    input = numberField({ label: t('work.locks'), whole: true });
    node = input.node;
  } else if (s.answer === 'pressure') {
    input = numberField({ label: t('work.pressure'), kind: 'pressure' });
    node = input.node;
  } else if (s.answer === 'number') {
    const text = el('input', { type: 'text', maxlength: '100', autocomplete: 'off' });
    input = { read: () => text.value.trim() };
    node = field(t('work.number'), text);
  }
  return entryForm({
    path: `/api/work/${j.number}`,
    send: input ? t('work.confirm') : t('work.yes'),
    words: () => t('entry.step', { step: s.step, n: j.number }),
    fields: [node, by.node],
    body() {
      const answer = input ? input.read() : null;
      if (input && !answer) throw new Error(t('work.need.answer'));
      return { by: by.read(), step: s.step, answer };
    },
    done() {},
  });
}

function leaveOut(j, s) {
  const reason = el('textarea', { rows: '2', maxlength: '500' });
  const form = entryForm({
    path: `/api/work/${j.number}`,
    send: t('work.leaveout'),
    words: () => t('entry.step', { step: s.step, n: j.number }),
    fields: [field(t('work.reason'), reason, t('work.reason.hint'))],
    body() {
      if (!reason.value.trim()) throw new Error(t('check.reason.need'));
      return { by: position.get(), step: s.step, left_out: reason.value.trim() };
    },
    done() {},
  });
  const show = button(t('work.leaveout.summary'), () => {
    form.hidden = !form.hidden;
    show.setAttribute('aria-expanded', String(!form.hidden));
  }, 'quiet', { 'aria-expanded': 'false' });
  form.hidden = true;
  return el('div', {}, show, form);
}

/** What comes next in the job: opened, closed, called off. */
function end(j) {
  const what = choices(t('work.next'), `next-${j.number}`, j.stage === 'open' ? [['close', t('work.close')]] : [['open', t('work.open')], ['call_off', t('work.calloff')]], j.stage === 'open' ? 'close' : 'open', (v) => {
    words.hidden = v === 'open';
  });
  const text = el('textarea', { rows: '2', maxlength: '1000' });
  const words = field(t(j.stage === 'open' ? 'work.report' : 'work.reason'), text);
  words.hidden = j.stage !== 'open';
  const by = positionField();
  const form = entryForm({
    path: `/api/work/${j.number}`,
    send: t('work.enter'),
    words: () => t('entry.work.next', { n: j.number }),
    fields: [j.stage === 'open' ? null : caution('open', 'record'), what, words, by.node],
    body() {
      const next = chosenIn(what);
      if (next === 'open') return { by: by.read(), open: true };
      if (!text.value.trim()) throw new Error(t('work.need'));
      return { by: by.read(), [next]: text.value.trim() };
    },
    done() {},
  });
  return el('details', {}, el('summary', {}, t('work.next.summary')), form);
}
