// Recording at one spot: level, countdown, clipping warning, and a pad to tap as the rod passes its end.

import { button, choices, el, link } from '../lib/dom.js';
import { seconds } from '../lib/format.js';
import { rigNow } from '../lib/net.js';
import { caution, trouble } from '../lib/parts.js';
import { microphone, sha256, wav } from '../lib/sound.js';
import * as sync from '../lib/sync.js';
import { load } from './walk.js';
import { t } from '/texts.js';

/** Seconds to get the phone still on its mark. */
const LEAD_IN_S = 3;
const LENGTHS_S = [20, 30, 40, 60, 90];
/** Strokes that a clip should hold; under 30 the judge warns. */
const STROKES = 34;
/** Tap marks: fewer say too little. */
const FEW_TAPS = 4;
const FLOOR_DB = -60;

/** The shortest length that holds enough strokes at this speed. */
function usual(spm) {
  const wanted = spm > 0 ? (STROKES * 60) / spm : 40;
  return LENGTHS_S.find((s) => s >= wanted && s >= 30) || LENGTHS_S[LENGTHS_S.length - 1];
}

export async function view(id, module, spot) {
  const { id: known, round } = await load(id);
  const length = choices(t('record.length'), 'length', LENGTHS_S.map((s) => [String(s), t('seconds', { s })]), String(usual(round.spm)));
  const stage = el('div', { class: 'stage' });
  const said = el('p', { class: 'said', role: 'status', 'aria-live': 'assertive' });
  const back = `#/walk/${known}`;
  let mic = null;
  let lock = null;
  let gone = false;

  async function release() {
    if (mic) await mic.close().catch(() => {});
    mic = null;
    if (lock) await lock.release().catch(() => {});
    lock = null;
    document.body.classList.remove('recording');
  }

  function idle() {
    stage.replaceChildren(el('p', {}, t('record.how')), button(t('record.start'), begin, 'first huge'), length);
  }

  async function begin() {
    // Nothing to touch by mistake while it records.
    document.body.classList.add('recording');
    const input = length.querySelector('input:checked');
    const want_s = Number(input ? input.value : 40);
    stage.replaceChildren(el('p', { class: 'count' }, t('record.opening')));
    try {
      mic = await microphone();
      if (navigator.wakeLock) lock = await navigator.wakeLock.request('screen').catch(() => null);
      if (gone) {
        await release();
        return;
      }
      for (let s = LEAD_IN_S; s > 0; s -= 1) {
        stage.replaceChildren(el('p', { class: 'count' }, String(s)));
        said.textContent = t('record.ready', { s });
        await new Promise((resolve) => setTimeout(resolve, 1000));
        if (gone) return;
      }
      await take(want_s);
    } catch (e) {
      await release();
      const words = e.name === 'NotAllowedError' ? t('record.denied') : e.name === 'NotFoundError' ? t('record.nomic') : null;
      stage.replaceChildren(trouble(words ? new Error(words) : e, idle));
    }
  }

  async function take(want_s) {
    const { rate_hz } = mic;
    const want = Math.round(want_s * rate_hz);
    const taps = [];
    let shown_db = FLOOR_DB;
    const count = el('p', { class: 'count', 'aria-hidden': 'true' }, seconds(want_s));
    const meter = el('meter', { min: FLOOR_DB, max: '0', low: '-40', high: '-3', optimum: '-20', value: FLOOR_DB, 'aria-label': t('record.level') });
    const level = el('p', { class: 'level' }, '');
    const warn = el('p', { class: 'problem loud', role: 'alert', hidden: true }, t('record.loud'));
    const tapped = el('span', { class: 'taps' }, t('record.taps', { n: 0 }));
    const pad = el('button', { type: 'button', class: 'tap' }, el('span', {}, t('record.tap')), tapped);
    const stop = button(t('record.stop'), () => finish(true), 'second');
    stage.replaceChildren(count, meter, level, warn, pad, el('p', { class: 'hint' }, t('record.tap.hint')), stop);
    said.textContent = t('record.running', { s: want_s });
    let over = false;
    const running = mic.start(({ peak }, clip) => {
      const db = peak > 0 ? Math.max(FLOOR_DB, 20 * Math.log10(peak)) : FLOOR_DB;
      shown_db = Math.max(db, shown_db - 1.5);
      meter.value = shown_db;
      level.textContent = t('record.db', { db: Math.round(shown_db) });
      if (clip.clipped > 0 && warn.hidden) warn.hidden = false;
      const left_s = Math.max(0, Math.ceil((want - clip.frames) / rate_hz));
      if (count.textContent !== seconds(left_s)) count.textContent = seconds(left_s);
      if (clip.frames >= want) finish(false);
    });

    function tap(e) {
      if (over || running.start_s === null) return;
      const at = mic.clock_s(e.timeStamp) - running.start_s;
      if (at < 0 || at > want_s) return;
      taps.push(Math.round(at * 1000) / 1000);
      tapped.textContent = t('record.taps', { n: taps.length });
      pad.classList.toggle('on');
    }
    // At the moment of touching, not of letting go.
    pad.addEventListener('pointerdown', tap);
    pad.addEventListener('keydown', (e) => {
      if ((e.key === ' ' || e.key === 'Enter') && !e.repeat) tap(e);
    });

    async function finish(early) {
      if (over) return;
      over = true;
      const clip = await mic.stop(running);
      const facts = { rate_hz, treated: mic.treated, dead: clip.dead };
      await release();
      if (!gone) await review(clip, taps, facts, early);
    }
    current = finish;
  }
  let current = null;

  async function review(clip, taps, facts, early) {
    const length_s = clip.frames / facts.rate_hz;
    const blob = wav(clip.parts, clip.frames, facts.rate_hz);
    const notes = [];
    if (clip.clipped > 0) notes.push(t('review.clipped', { n: clip.clipped }));
    if (clip.lost > 0) notes.push(t('review.lost', { ms: Math.round((1000 * clip.lost) / facts.rate_hz) }));
    if (facts.treated.length > 0) notes.push(t('review.treated', { what: facts.treated.map((n) => t(`treated.${n}`)).join(', ') }));
    if (facts.dead) notes.push(t('review.dead'));
    if (early || length_s * (round.spm || 60) < 30 * 60) notes.push(t('review.short', { s: Math.round(length_s) }));
    const marks = taps.length >= FEW_TAPS ? taps : null;
    if (taps.length > 0 && !marks) notes.push(t('review.fewtaps', { n: taps.length }));
    const good = notes.length === 0;
    said.textContent = good ? t('review.good') : t('review.look');
    const player = el('audio', { controls: true, src: URL.createObjectURL(blob), 'aria-label': t('review.listen') });
    const keep = button(t('review.keep'), async () => {
      keep.disabled = true;
      try {
        const sum = await sha256(blob);
        await sync.keepClip({ round: known, module: Number(module), spot, bytes: blob.size, sha256: sum, ending: 'wav', taken_at: rigNow(), taps_s: marks, blob });
        location.hash = back;
      } catch (e) {
        keep.disabled = false;
        stage.append(trouble(e));
      }
    }, 'first');
    const again = button(t('review.again'), idle, good ? 'second' : 'first');
    if (!good) keep.className = 'second';
    stage.replaceChildren(
      el('h2', {}, t('review.title', { s: Math.round(length_s) })),
      good ? el('p', { class: 'good' }, t('review.good')) : el('ul', { class: 'problem' }, notes.map((n) => el('li', {}, n))),
      marks ? el('p', {}, t('review.taps', { n: marks.length })) : null,
      player,
      el('div', { class: 'row' }, keep, again),
    );
    (good ? keep : again).focus();
  }

  idle();
  return {
    title: t('record.title', { module, pump: round.pump }),
    node: [caution('ears'), said, stage, link(t('back.round'), back, 'back')],
    stop() {
      gone = true;
      if (current && mic) mic.close().catch(() => {});
      release();
    },
  };
}
