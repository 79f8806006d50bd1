// Questions to the server and its answers. An answer is kept on the phone, so that it can be shown when there is no connection.

import { tell } from './bus.js';
import * as store from './store.js';

/** Thrown when the server was not reached. */
export class NoLine extends Error {}

/** Thrown when the server said no; `status` as in HTTP. */
export class Refused extends Error {
  constructor(status, body) {
    super((body && body.error) || `${status}`);
    this.status = status;
    this.body = body || {};
  }
}

/** Who we are to the server. */
export const me = { paired: true, role: null, token: null, rig: '', version: '', secure: false };
export const mayEnter = () => me.role !== 'reader';
export const line = { up: true };

/** Clocks that differ by less are taken as alike: the server's is told in whole seconds. */
const ALIKE_MS = 30000;
const SKEW = 'skew_ms';

/** Now, on the laptop's clock: a phone whose clock is wrong must not enter things in the future. */
export function rigNow(phone_ms = Date.now()) {
  let skew_ms = 0;
  try {
    skew_ms = Number(localStorage.getItem(SKEW)) || 0;
  } catch {
    // A browser that keeps nothing has its own clock.
  }
  return new Date(phone_ms + skew_ms).toISOString();
}

function compareClocks(answer) {
  const there = Date.parse(answer.headers.get('Date') || '');
  if (!Number.isFinite(there)) return;
  const off = there - Date.now();
  try {
    if (Math.abs(off) > ALIKE_MS) localStorage.setItem(SKEW, String(off));
    else localStorage.removeItem(SKEW);
  } catch {
    // As above.
  }
}

function setLine(up) {
  if (line.up !== up) {
    line.up = up;
    tell('line', up);
  }
}

/** One exchange; JSON both ways. A token that the server no longer knows is asked for anew, once. */
export async function ask(method, path, body, how = {}) {
  const answer = await exchange(method, path, body, how);
  if (answer.status !== 403 || !answer.body || answer.body.code !== 'token') return answer;
  await whoAmI();
  return me.token ? exchange(method, path, body, how) : answer;
}

async function exchange(method, path, body, { wait_ms = 15000, bytes = null }) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), wait_ms);
  const headers = { Accept: 'application/json' };
  if (method !== 'GET') {
    headers['X-Seatsong-Token'] = me.token || '';
    headers['Content-Type'] = bytes ? 'application/octet-stream' : 'application/json';
  }
  let answer;
  let json;
  try {
    const payload = bytes || (body === undefined || body === null ? undefined : JSON.stringify(body));
    answer = await fetch(path, { method, headers, body: payload, signal: stop.signal, credentials: 'same-origin', cache: 'no-store' });
    compareClocks(answer);
    const text = await answer.text();
    try {
      json = text ? JSON.parse(text) : null;
    } catch {
      json = { error: text.slice(0, 200) };
    }
  } catch (e) {
    setLine(false);
    throw new NoLine(e.message);
  } finally {
    clearTimeout(timer);
  }
  // A server that can't answer is as good as no line: the entry stays kept. One that says why it is busy is there.
  if (answer.status === 502 || answer.status === 504 || (answer.status === 503 && !(json && json.error))) {
    setLine(false);
    throw new NoLine(`${answer.status}`);
  }
  setLine(true);
  if (answer.status === 401 && path !== '/api/me') {
    me.paired = false;
    tell('me');
  }
  return { status: answer.status, body: json };
}

/** Asks who we are; without a line, what was known last. */
export async function whoAmI() {
  try {
    const { status, body } = await ask('GET', '/api/me', null, { wait_ms: 6000 });
    if (status === 200 && body) {
      Object.assign(me, { paired: false, role: null, token: null }, body);
      const { token: _left_out, ...kept } = body;
      store.write('choices', 'me', kept).catch(() => {});
    }
  } catch (e) {
    if (!(e instanceof NoLine)) throw e;
    const kept = await store.read('choices', 'me').catch(() => null);
    // Without a line nothing can be entered at the server, so showing what the phone holds needs no token.
    if (kept) Object.assign(me, kept, { token: me.token });
  }
  tell('me');
  return me;
}

const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

/**
 * Reads; falls back on what was answered last. Returns {body, at, old}; null if `alive()` said no meanwhile.
 * While the server works on it (202), `ontell({done, of})` is told how far it is.
 */
export async function get(path, { wait_ms = 8000, keep = true, ontell = () => {}, alive = () => true } = {}) {
  try {
    let { status, body } = await ask('GET', path, null, { wait_ms });
    while (status === 202) {
      ontell(body || {});
      await pause(700);
      if (!alive()) return null;
      ({ status, body } = await ask('GET', path, null, { wait_ms }));
    }
    if (status !== 200) throw new Refused(status, body);
    const at = new Date().toISOString();
    if (keep) store.write('answers', path, { body, at }).catch(() => {});
    return { body, at, old: false };
  } catch (e) {
    if (!(e instanceof NoLine)) throw e;
    const kept = keep ? await store.read('answers', path).catch(() => null) : null;
    if (!kept) throw e;
    return { ...kept, old: true };
  }
}
