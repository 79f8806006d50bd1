// The page: who we are, which view, the line at the top that says what is connected and what is kept.

import { hear, tell } from './lib/bus.js';
import { el, link } from './lib/dom.js';
import { listen } from './lib/live.js';
import { NoLine, Refused, line, me, whoAmI } from './lib/net.js';
import { trouble } from './lib/parts.js';
import * as sync from './lib/sync.js';
import { theme } from './lib/theme.js';
import { t } from '/texts.js';

/** Pattern of the address, file of the view. Views are fetched when they are first wanted. */
const ROUTES = [
  [/^$/, 'home'],
  [/^round\/([^/]+)$/, 'point'],
  [/^walk\/([^/]+)$/, 'walk'],
  [/^record\/([^/]+)\/(\d+)\/([^/]+)$/, 'record'],
  [/^verdict\/([^/]+)$/, 'verdict'],
  [/^map\/(\d+)\/(\d+)$/, 'map'],
  [/^checks$/, 'checks'],
  [/^check\/([^/]+)\/([^/]+)\/([^/]+)$/, 'check'],
  [/^readings(?:\/([^/]+))?$/, 'readings'],
  [/^parts(?:\/([^/]+))?$/, 'parts'],
  [/^work(?:\/([^/]+))?$/, 'work'],
  [/^concerns$/, 'concerns'],
  [/^trends(?:\/([^/]+))?$/, 'trends'],
  [/^good(?:\/([^/]+))?$/, 'good'],
  [/^handover(?:\/(now|last))?$/, 'handover'],
  [/^kept$/, 'kept'],
  [/^more$/, 'more'],
  [/^pair(?:[/=]([^/]+))?$/, 'pair'],
];
const SECTION = { checks: 'checks', check: 'checks', handover: 'handover' };
const WALK = ['home', 'point', 'walk', 'record', 'verdict', 'map'];

const main = document.getElementById('main');
const bar = document.getElementById('state');
let shown = null;
let turn = 0;

function where() {
  const path = location.hash.replace(/^#\/?/, '');
  for (const [pattern, name] of ROUTES) {
    const found = pattern.exec(path);
    if (found) {
      try {
        return { name, args: found.slice(1).map((x) => (x === undefined ? undefined : decodeURIComponent(x))) };
      } catch {
        return { name: 'home', args: [] };
      }
    }
  }
  return { name: 'home', args: [] };
}

/** Shows the view of the address. `quiet`: drawn anew because something was entered, so focus and place stay. */
async function show(quiet) {
  turn += 1;
  const mine = turn;
  let { name, args } = where();
  if (!me.paired && name !== 'pair' && name !== 'kept') {
    name = 'pair';
    args = [];
  } else if (me.paired && name === 'pair') {
    history.replaceState(null, '', '#/');
    name = 'home';
    args = [];
  }
  navigation(name);
  if (!quiet && shown) {
    document.body.classList.remove('recording');
    if (shown.stop) shown.stop();
    shown = null;
    main.replaceChildren(el('p', { class: 'waiting', role: 'status' }, t('loading')));
  }
  let made;
  try {
    const module = await import(`./views/${name}.js`);
    made = await module.view(...args);
  } catch (e) {
    if (mine !== turn) return;
    // A view that was drawn once is not thrown away because it can't be drawn again just now.
    if (quiet && shown) return;
    if (!(e instanceof NoLine || e instanceof Refused)) console.error(e);
    made = { title: t('trouble'), node: [trouble(e, () => show(false)), link(t('back.home'), '#/', 'back')] };
  }
  if (mine !== turn) {
    if (made.stop) made.stop();
    return;
  }
  if (quiet && shown && shown.stop) shown.stop();
  const first = shown === null && !document.body.dataset.ready;
  const heading = el('h1', { tabindex: '-1' }, made.title);
  const content = [heading, ...[made.node].flat(3).filter(Boolean)];
  if (quiet) swap(content);
  else {
    main.replaceChildren(...content);
    window.scrollTo(0, 0);
    if (!first) heading.focus({ preventScroll: true });
  }
  document.title = `${made.title} · ${t('name')}`;
  if (first) performance.mark('first-view');
  document.body.dataset.ready = 'yes';
  main.dataset.view = name;
  shown = made;
}

/** Draws anew without taking away what a person has open or is reading. */
function swap(content) {
  const name = (d) => d.querySelector('summary').textContent;
  const open = new Set([...main.querySelectorAll('details[open]')].filter((d) => !d.querySelector('form[data-done]')).map(name));
  main.replaceChildren(...content);
  for (const d of main.querySelectorAll('details')) {
    if (open.has(name(d))) d.open = true;
  }
}

/** Whether somebody is in the middle of something in this view. */
function busy() {
  const active = document.activeElement;
  if (active && main.contains(active) && active.matches('input,textarea,select,iframe,audio') && !active.closest('[hidden]')) return true;
  if (main.querySelector('.ask, form:not([data-done]) [data-held]')) return true;
  const changed = (i) => (i.type === 'radio' ? i.checked !== i.defaultChecked : i.value !== i.defaultValue);
  return [...main.querySelectorAll('form.entry:not([data-done])')].some((f) => [...f.querySelectorAll('textarea,input')].some(changed));
}

let wish = null;
function refresh(kind, round) {
  if (!shown || !(shown.live || []).includes(kind)) return;
  if (round !== undefined && round !== null && shown.of && String(round) !== String(shown.of)) return;
  clearTimeout(wish);
  wish = setTimeout(() => (busy() ? offer() : show(true)), 350);
}

/** Somebody is typing: the news is told, not put under their fingers. */
function offer() {
  if (main.querySelector('.news')) return;
  const note = el('p', { class: 'news', role: 'status' }, `${t('news')} `, el('button', { type: 'button', class: 'quiet', onclick: () => show(false) }, t('news.show')));
  main.querySelector('h1').after(note);
}

function navigation(name) {
  const section = WALK.includes(name) ? 'home' : SECTION[name] || 'more';
  for (const a of document.querySelectorAll('#places a')) {
    if (a.dataset.section === section) a.setAttribute('aria-current', 'page');
    else a.removeAttribute('aria-current');
  }
}

/** One line: the connection, and what is kept on this phone. */
async function state() {
  const n = await sync.counts().catch(() => null);
  const here = [];
  if (n !== null && n.clips > 0) here.push(t(n.clips === 1 ? 'kept.clip.one' : 'kept.clips', { n: n.clips }));
  if (n !== null && n.entries > 0) here.push(t(n.entries === 1 ? 'kept.entry.one' : 'kept.entries', { n: n.entries }));
  if (n !== null && n.stuck > 0) here.push(t('kept.stuck', { n: n.stuck }));
  const waiting = n !== null && n.clips + n.entries > 0;
  const parts = [line.up ? (waiting ? null : t('line.up')) : t('line.down')];
  if (n === null) parts.push(t('nostore'));
  if (waiting) parts.push(`${t('kept.phone')}: ${here.join(', ')}`);
  const words = parts.filter(Boolean).join('. ');
  const sign = !line.up ? '✕' : waiting ? '○' : '●';
  bar.className = !line.up || (n && n.stuck > 0) ? 'down' : waiting ? 'waiting' : 'up';
  if (bar.dataset.words === words) return;
  bar.dataset.words = words;
  bar.replaceChildren(el('span', { class: 'sign', 'aria-hidden': 'true' }, `${sign} `), waiting ? link(words, '#/kept') : words);
}

/** What was just done, told for a while above the places: it outlives the view being drawn anew. */
let silence = null;
hear('said', (words) => {
  const node = document.getElementById('said');
  node.textContent = words;
  clearTimeout(silence);
  silence = setTimeout(() => node.replaceChildren(), 6000);
});

/** Keeps the page on the phone. Where the browser will not (a certificate it does not trust), the page says so under More. */
async function install() {
  if (!navigator.serviceWorker) return;
  try {
    await navigator.serviceWorker.register('/sw.js');
    const ready = await navigator.serviceWorker.ready;
    navigator.serviceWorker.addEventListener('message', (e) => {
      if (e.data !== 'fresh' || document.getElementById('fresh')) return;
      main.before(el('p', { id: 'fresh', class: 'news', role: 'status' }, `${t('fresh')} `, el('button', { type: 'button', class: 'second', onclick: () => location.reload() }, t('fresh.load'))));
    });
    if (ready.active) ready.active.postMessage('look');
  } catch {
    // Told under More: phone.nooffline.
  }
}

function labels() {
  for (const node of document.querySelectorAll('[data-t]')) node.textContent = t(node.dataset.t);
  for (const node of document.querySelectorAll('[data-t-label]')) node.setAttribute('aria-label', t(node.dataset.tLabel));
}

async function begin() {
  theme.apply();
  labels();
  window.addEventListener('hashchange', () => show(false));
  hear('live', (e) => refresh(e.kind, e.round));
  let kept = '';
  hear('queue', async () => {
    await state();
    const n = await sync.counts().catch(() => null);
    const now = n ? `${n.entries} ${n.clips} ${n.stuck}` : '';
    if (now !== kept) refresh('queue');
    kept = now;
  });
  hear('line', (up) => {
    state();
    if (up && !me.token) whoAmI();
    if (up) refresh('all');
  });
  let was = null;
  hear('me', () => {
    document.getElementById('rig').textContent = me.rig || t('name');
    document.body.classList.toggle('unpaired', !me.paired);
    const now = `${me.paired} ${me.role}`;
    if (was !== null && was !== now) {
      listen();
      show(false);
    }
    was = now;
  });
  await whoAmI();
  state();
  await show(false);
  listen();
  sync.keepTrying();
  install();
  if (!me.token && !line.up) setTimeout(retryMe, 4000);
}

/** Without a token nothing can be sent: ask again until the server is there. */
async function retryMe() {
  await whoAmI();
  if (me.token) {
    tell('line', true);
    listen();
    sync.run();
  } else if (!line.up) setTimeout(retryMe, 4000);
}

begin();
