// Entries and clips on their way to the book. Each is first kept on this phone and only let go when the server has acknowledged it;
// each carries a key of its own, so sending it twice enters it once.

import { hear, tell } from './bus.js';
import { NoLine, Refused, ask, line, me, rigNow } from './net.js';
import * as store from './store.js';
import { t } from '/texts.js';

/** Bytes a piece: small enough that a lost connection costs little, far below the server's most. */
const PIECE = 256 * 1024;
/** Times that a clip is sent again when its checksum differs at the other end. */
const MOST_AGAIN = 3;

/** How long a photo may take: as long as the server lets it. */
const PHOTO_MS = 70000;

/** When the server is busy, it is asked again after this. */
const BUSY_MS = 2500;

let running = null;
let again = false;
let later = null;
/** Answers of this visit by key: a view that has just entered something wants to show them. */
const answers = new Map();
const waiting = new Map();
/** How long a view waits for the answer to an entry before it says "kept on this phone". */
const PATIENCE_MS = 8000;
export const moving = new Map();

const inOrder = (rows) => rows.sort((a, b) => a.n - b.n);

/** What is still on this phone. */
export async function kept() {
  const [entries, clips] = await Promise.all([store.all('queue'), store.all('clips')]);
  return { entries: inOrder(entries), clips: inOrder(clips) };
}

export async function counts() {
  const { entries, clips } = await kept();
  const stuck = [...entries, ...clips].filter((x) => x.state === 'asked' || x.state === 'refused').length;
  return { entries: entries.length, clips: clips.length, stuck };
}

/** What goes before what: the clock, with a count for two in one millisecond. */
let last = 0;
function next() {
  last = Math.max(Date.now(), last + 0.001);
  return last;
}

/**
 * Enters something: kept first, then sent.
 * Returns {state: 'entered', body} | {state: 'kept', key} | {state: 'asked', ask, key}; throws Refused, and then nothing is kept.
 * `words` say what it is, for the list of what is kept; `after` names a round whose clips go before it; `photos` ({blob, sha256, bytes})
 * go before it too, and it names them by their checksum.
 */
export async function enter(path, body, words, after, photos) {
  const key = body.key || store.newKey();
  const row = { n: next(), key, path, body: { at: rigNow(), ...body, key }, words, state: 'waiting', after: after || null, photos: photos || [] };
  await store.write('queue', key, row);
  store.keep();
  tell('queue');
  const answer = await answerTo(key);
  if (!answer) return { state: 'kept', key };
  if (answer.state === 'refused') {
    await drop(key);
    throw new Refused(answer.status, { error: answer.error });
  }
  return { ...answer, key };
}

/** Answers a question of the server: it is meant. */
export async function confirm(key) {
  const row = await store.read('queue', key);
  if (!row) return { state: 'kept', key };
  await store.write('queue', key, { ...row, body: { ...row.body, yes: true }, state: 'waiting', error: null });
  const answer = await answerTo(key);
  return answer ? { ...answer, key } : { state: 'kept', key };
}

/** What the server said to this entry, if it said so soon. */
async function answerTo(key) {
  const told = new Promise((resolve) => {
    waiting.set(key, resolve);
  });
  const late = new Promise((resolve) => {
    setTimeout(resolve, PATIENCE_MS);
  });
  await Promise.race([told, run(), late]);
  waiting.delete(key);
  const answer = answers.get(key);
  answers.delete(key);
  return answer;
}

function answered(key, answer) {
  const resolve = waiting.get(key);
  if (!resolve) return;
  answers.set(key, answer);
  resolve();
}

/** Takes an entry or a clip off this phone: only when a person says so. */
export async function drop(key) {
  await store.remove('queue', key);
  await store.remove('clips', key);
  tell('queue');
}

export async function retry(key) {
  for (const name of ['queue', 'clips']) {
    const row = await store.read(name, key);
    if (row) await store.write(name, key, { ...row, state: 'waiting', error: null, again: 0 });
  }
  return run();
}

/** Keeps a clip and starts sending it. `clip`: {round, module, spot, bytes, sha256, ending, taken_at, taps_s, blob}. */
export async function keepClip(clip) {
  const key = store.newKey();
  await store.write('clips', key, { ...clip, key, n: next(), state: 'waiting', have: 0, error: null, again: 0 });
  store.keep();
  tell('queue');
  run();
  return key;
}

/** The number of a round that was started on this phone, once the server has given it one. */
export async function roundNumber(id) {
  if (!String(id).startsWith('k-')) return Number(id);
  const answer = await store.read('done', String(id).slice(2));
  return answer ? answer.id : null;
}

/** Puts the numbers of rounds that were started without a connection where they are meant. */
async function settled(row) {
  const path = /\/(k-[0-9a-f-]+)(?=\/|$)/.exec(row.path);
  const body = { ...row.body };
  let to = row.path;
  if (path) {
    const id = await roundNumber(path[1]);
    if (id === null) return null;
    to = to.replace(path[1], id);
  }
  if (String(body.round || '').startsWith('k-')) {
    body.round = await roundNumber(body.round);
    if (body.round === null) return null;
  } else if (body.round !== undefined) {
    body.round = Number(body.round);
  }
  return { path: to, body };
}

/** Whether an answer says nothing about the entry itself: it stays kept, and is sent again. */
function tryLater({ status }) {
  if (status === 429 || status >= 500) {
    clearTimeout(later);
    later = setTimeout(run, BUSY_MS);
    return true;
  }
  return status === 401;
}

/** Whether the photos that an entry names are in the book; sent twice, they are there once. `null`: told that they never will be. */
async function photosOf(row) {
  for (const photo of row.photos || []) {
    const put = await ask('PUT', `/api/photos/${photo.sha256}`, null, { bytes: photo.blob, wait_ms: PHOTO_MS });
    if (tryLater(put)) return false;
    if (put.status >= 300) {
      await refused(row, put);
      return null;
    }
  }
  return true;
}

async function refused(row, { status, body }) {
  const error = (body && body.error) || `${status}`;
  await store.write('queue', row.key, { ...row, state: 'refused', error });
  answered(row.key, { state: 'refused', status, error });
  tell('queue');
}

async function post(row) {
  const to = await settled(row);
  if (!to) return false;
  const sent = await photosOf(row);
  if (!sent) return sent === null;
  const { status, body } = await ask('POST', to.path, to.body, { wait_ms: 20000 });
  if (tryLater({ status })) return false;
  if (status === 409 && body && body.ask) {
    await store.write('queue', row.key, { ...row, state: 'asked', error: body.ask });
    answered(row.key, { state: 'asked', ask: body.ask });
  } else if (status >= 200 && status < 300) {
    if (row.path === '/api/rounds') await store.write('done', row.key, { id: body.id });
    await store.remove('queue', row.key);
    answered(row.key, { state: 'entered', body });
  } else {
    await refused(row, { status, body });
  }
  tell('queue');
  return true;
}

async function posts() {
  let moved = false;
  for (const row of inOrder(await store.all('queue'))) {
    if (row.state !== 'waiting') continue;
    if (row.after && (await clipsOf(row.after)).length > 0) continue;
    if (await post(row)) moved = true;
  }
  return moved;
}

/** Clips of a round that are still on this phone. */
export async function clipsOf(round) {
  const id = await roundNumber(round);
  const out = [];
  for (const clip of await store.all('clips')) {
    if (String(clip.round) === String(round) || (id !== null && (await roundNumber(clip.round)) === id)) out.push(clip);
  }
  return inOrder(out);
}

async function send(clip) {
  const to = await settled({ path: '/api/uploads', body: { round: clip.round } });
  if (!to) return false;
  const { bytes, sha256, ending, taken_at, taps_s, module, spot, key } = clip;
  const wish = { key, round: to.body.round, module, spot, bytes, sha256, ending, taken_at, taps_s };
  const begun = await ask('POST', '/api/uploads', wish);
  if (tryLater(begun)) return false;
  if (begun.status >= 300) return refuse(clip, begun);
  const { upload } = begun.body;
  let have = begun.body.have || 0;
  let finished = begun.body.clip || null;
  let stuck = 0;
  while (!finished) {
    while (have < bytes) {
      progress(clip, have);
      const piece = clip.blob.slice(have, Math.min(bytes, have + PIECE));
      const put = await ask('PUT', `/api/uploads/${upload}?from=${have}`, null, { bytes: piece, wait_ms: 30000 });
      if (put.status === 409 && put.body && Number.isFinite(put.body.have)) {
        // The server has more or less than we thought: go on where it is. Never for ever.
        if ((stuck += 1) > 20) return false;
      } else if (tryLater(put)) {
        return false;
      } else if (put.status >= 300) {
        return refuse(clip, put);
      }
      have = put.body.have;
      // An entry made meanwhile does not wait for the whole clip.
      if (again) {
        again = false;
        await posts();
      }
    }
    progress(clip, have);
    const done = await ask('POST', `/api/uploads/${upload}/done`, { key }, { wait_ms: 60000 });
    if (done.status >= 200 && done.status < 300) {
      finished = done.body.clip;
    } else if ((done.status === 422 || done.status === 409) && done.body && Number.isFinite(done.body.have) && done.body.have < bytes && clip.again < MOST_AGAIN) {
      // Some of it is missing, or it was damaged on its way and starts over.
      clip.again += 1;
      have = done.body.have;
    } else if (tryLater(done)) {
      return false;
    } else {
      return refuse(clip, done);
    }
  }
  // The same sound can be in one round only: the book says in which it is, and the person is told.
  if (finished.round && Number(finished.round) !== Number(to.body.round)) tell('said', t('clip.known', { round: finished.round }));
  // Acknowledged: only now may the phone let it go.
  moving.delete(key);
  await store.remove('clips', key);
  tell('queue');
  tell('live', { kind: 'clip', round: to.body.round });
  return true;
}

function progress(clip, have) {
  moving.set(clip.key, have);
  tell('upload', { key: clip.key, have, bytes: clip.bytes });
}

async function refuse(clip, answer) {
  const error = (answer.body && answer.body.error) || `${answer.status}`;
  moving.delete(clip.key);
  await store.write('clips', clip.key, { ...clip, state: 'refused', error });
  tell('queue');
  return true;
}

async function clips() {
  let moved = false;
  for (const clip of inOrder(await store.all('clips'))) {
    if (clip.state === 'waiting' && (await send(clip))) moved = true;
  }
  return moved;
}

/** Sends what can be sent; a second call while one runs makes it go round once more. */
export function run() {
  if (running) {
    again = true;
    return running.then(() => (again ? run() : undefined));
  }
  const work = async () => {
    do {
      again = false;
      if (!me.token || !me.paired) return;
      try {
        // Small entries first; then clips; then what waited for the clips.
        await posts();
        if (await clips()) again = (await posts()) || again;
      } catch (e) {
        if (!(e instanceof NoLine)) throw e;
        return;
      }
    } while (again);
  };
  const alone = navigator.locks ? navigator.locks.request('seatsong-sync', work) : work();
  running = alone
    .catch((e) => {
      tell('queue', { error: e.message });
    })
    .finally(() => {
      running = null;
      moving.clear();
      tell('queue');
    });
  return running;
}

/** Starts what keeps trying. */
export function keepTrying() {
  hear('line', (up) => up && run());
  window.addEventListener('online', () => run());
  document.addEventListener('visibilitychange', () => document.visibilityState === 'visible' && run());
  setInterval(async () => {
    const n = await counts().catch(() => null);
    if (n && n.entries + n.clips > n.stuck) run();
  }, 10000);
  if (line.up) run();
}
