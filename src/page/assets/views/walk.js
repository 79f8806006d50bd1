// One round: a card for each spot. Record or take a file; what is on this phone and what is in the book is told apart.

import { button, el, link } from '../lib/dom.js';
import { bytes, when } from '../lib/format.js';
import { get, mayEnter, rigNow } from '../lib/net.js';
import { caution, entryForm, oldNote, position, readOnly, trouble } from '../lib/parts.js';
import { canRecord, sha256 } from '../lib/sound.js';
import * as store from '../lib/store.js';
import * as sync from '../lib/sync.js';
import { describe } from './point.js';
import { t } from '/texts.js';

/** What the server takes: ten minutes of good sound in two channels are well below it. */
const MOST_BYTES = 256 * 1024 * 1024;

/** The round with its pump; a round that was started without a connection is put together from what is kept. */
export async function load(id) {
  const number = await sync.roundNumber(id);
  if (number !== null) {
    const answer = await get(`/api/rounds/${number}`);
    return { id: String(number), round: answer.body, answer };
  }
  const row = await store.read('queue', String(id).slice(2));
  if (!row) throw new Error(t('walk.gone'));
  const { pump, spm, pressure, mud, crew, remarks, at } = row.body;
  return { id, round: { id, pump, spm, pressure, mud, crew, remarks, started: at, closed_at: null, clips: [] }, answer: null, local: row };
}

export async function view(id) {
  const { id: known, round, answer, local } = await load(id);
  if (known !== id) history.replaceState(null, '', `#/walk/${known}`);
  const pumps = (await get('/api/pumps')).body;
  const pump = pumps.find((p) => p.name === round.pump) || { spots: [], order: [], modules: 0 };
  const mine = await sync.clipsOf(known);
  const clips = Array.isArray(round.clips) ? round.clips : [];
  const spots = [...pump.spots];
  for (const c of [...clips, ...mine]) {
    if (!spots.some((s) => s.module === c.module && s.name === c.spot)) spots.push({ module: c.module, name: c.spot, note: '' });
  }
  const have = new Set([...clips, ...mine].map((c) => c.module));
  const missing = [...new Set(spots.map((s) => s.module))].filter((m) => !have.has(m));
  const several = new Set(spots.map((s) => s.module)).size < spots.length;
  const state = el('p', { class: 'hint', 'aria-live': 'polite' }, stateWords(clips.length, mine.length, missing));
  return {
    title: local ? t('walk.title.local', { pump: round.pump }) : t('walk.title', { round: round.id, pump: round.pump }),
    live: ['clip', 'round', 'verdict', 'all', 'queue'],
    of: known,
    node: [
      caution('ears'),
      answer ? oldNote(answer) : el('p', { class: 'old' }, t('walk.local')),
      readOnly(),
      el('p', { class: 'point' }, describe(round), round.closed_at ? el('strong', {}, ` · ${t('walk.closed', { when: when(round.closed_at) })}`) : null),
      state,
      el('ol', { class: 'cards spots' }, spots.map((s) => spotCard(known, round, s, clips, mine, several))),
      el('div', { class: 'stack' }, [
        local ? null : link(t('walk.verdict'), `#/verdict/${known}`, clips.length > 0 ? 'button first' : 'button second'),
        local ? el('p', { class: 'hint' }, t('walk.verdict.later')) : null,
        !round.closed_at && mayEnter() ? closing(known, missing) : null,
      ]),
    ],
    stop: progress(),
  };
}

function stateWords(in_book, here, missing) {
  const parts = [t('walk.in.book', { n: in_book })];
  if (here > 0) parts.push(t('walk.here', { n: here }));
  parts.push(missing.length > 0 ? t('walk.missing', { modules: missing.join(', ') }) : t('walk.complete'));
  return `${parts.join('. ')}.`;
}

function closing(id, missing) {
  const form = entryForm({
    path: `/api/rounds/${id}/close`,
    send: t('walk.close'),
    words: () => t('entry.close'),
    after: id,
    fields: [missing.length > 0 ? el('p', { class: 'hint' }, t('walk.close.missing', { modules: missing.join(', ') })) : null],
    body: () => ({ by: position.get() }),
    done() {},
  });
  return el('details', {}, el('summary', {}, t('walk.close.summary')), form);
}

function spotCard(id, round, spot, clips, mine, several) {
  const there = clips.filter((c) => c.module === spot.module && c.spot === spot.name);
  const here = mine.filter((c) => c.module === spot.module && c.spot === spot.name);
  const name = several ? t('spot.named', { module: spot.module, spot: spot.name }) : t('module', { module: spot.module });
  const note = el('div', { class: 'outcome', 'aria-live': 'polite' });
  const lines = [];
  for (const c of there) lines.push(el('li', {}, el('span', { class: 'sign', 'aria-hidden': 'true' }, '● '), t('clip.in.book', { when: when(c.taken_at), size: bytes(c.bytes || 0) })));
  for (const c of here) {
    const words = c.state === 'refused' ? t('clip.refused', { error: c.error }) : t('clip.here', { when: when(c.taken_at), size: bytes(c.bytes) });
    lines.push(
      el(
        'li',
        { class: c.state === 'refused' ? 'problem' : null },
        el('span', { class: 'sign', 'aria-hidden': 'true' }, c.state === 'refused' ? '✕ ' : '○ '),
        words,
        ' ',
        el('progress', { max: c.bytes, value: sync.moving.get(c.key) || c.have || 0, 'data-clip': c.key, 'aria-label': t('clip.progress') }),
      ),
    );
  }
  if (lines.length === 0) lines.push(el('li', {}, el('span', { class: 'sign', 'aria-hidden': 'true' }, '– '), t('clip.none')));
  return el(
    'li',
    { class: 'card' },
    el('h2', {}, name),
    spot.note ? el('p', { class: 'spot-note' }, t('spot.note', { note: spot.note })) : null,
    el('ul', { class: 'plain' }, lines),
    round.closed_at || !mayEnter() ? null : actions(id, spot, name, there.length + here.length > 0),
    note,
  );
}

/**
 * The file fields of the spots, by round and spot. They outlive the view being drawn anew: a phone's chooser may be open meanwhile, and
 * what it brings has to arrive.
 */
const choosers = new Map();

function chooser(id, spot) {
  const key = `${id}/${spot.module}/${spot.name}`;
  if (choosers.has(key)) return choosers.get(key);
  const file = el('input', { type: 'file', accept: 'audio/*,.wav,.flac,.m4a,.mp3,.ogg,.aac,.aiff', class: 'unseen', tabindex: '-1', 'aria-hidden': 'true' });
  const say = (node) => {
    const card = file.closest('.card');
    if (card) card.querySelector('.outcome').replaceChildren(node);
  };
  file.addEventListener('change', async () => {
    const chosen = file.files[0];
    if (!chosen) return;
    try {
      if (chosen.size === 0 || chosen.size > MOST_BYTES) throw new Error(t('file.size', { size: bytes(chosen.size) }));
      say(el('p', { role: 'status' }, t('file.reading')));
      // Copied at once: what the phone's own recorder does with its file afterwards is not our business.
      const blob = new Blob([await chosen.arrayBuffer()], { type: chosen.type });
      const ending = (/\.([a-z0-9]{1,5})$/i.exec(chosen.name) || [null, 'wav'])[1].toLowerCase();
      const taken = rigNow(chosen.lastModified || Date.now());
      await sync.keepClip({ round: id, module: spot.module, spot: spot.name, bytes: blob.size, sha256: await sha256(blob), ending, taken_at: taken, taps_s: null, blob });
      say(el('p', { role: 'status' }, t('file.kept')));
    } catch (e) {
      say(trouble(e));
    } finally {
      // The same file may be chosen again.
      file.value = '';
    }
  });
  choosers.set(key, file);
  return file;
}

function actions(id, spot, name, again) {
  const file = chooser(id, spot);
  const take = button(t('spot.file'), () => file.click(), 'second', { 'aria-label': t('spot.file.of', { name }), disabled: !window.isSecureContext });
  const record = canRecord()
    ? link(again ? t('spot.again') : t('spot.record'), `#/record/${id}/${spot.module}/${encodeURIComponent(spot.name)}`, again ? 'button second' : 'button first')
    : el('p', { class: 'problem' }, t('record.cannot'));
  if (record.tagName === 'A') record.setAttribute('aria-label', t(again ? 'spot.again.of' : 'spot.record.of', { name }));
  return el('div', { class: 'row' }, record, take, file);
}

/** Keeps the bars of clips on their way moving without drawing the cards again. */
function progress() {
  const timer = setInterval(() => {
    for (const bar of document.querySelectorAll('progress[data-clip]')) {
      const have = sync.moving.get(bar.dataset.clip);
      if (have !== undefined) bar.value = have;
    }
  }, 300);
  return () => clearInterval(timer);
}
