// What sits where, since when, how long such parts last, what came out; entering that one was changed, and the pump's running hours.

import { choices, chosenIn, el, field } from '../lib/dom.js';
import { day, typed, when } from '../lib/format.js';
import { get, rigNow } from '../lib/net.js';
import { numberField } from '../lib/pad.js';
import { caution, empty, entryForm, oldNote, positionField, pumpTabs } from '../lib/parts.js';
import { photoField, smallPhoto } from '../lib/photo.js';
import { t } from '/texts.js';

const KINDS = ['valve', 'seat', 'spring', 'guide', 'gasket', 'piston', 'liner', 'rod-clamp'];
const SIDED = ['valve', 'seat', 'spring', 'guide', 'gasket'];
const WHYS = ['washed', 'worn', 'broken', 'planned', 'resized', 'unknown'];

export async function view(name) {
  const pumps = (await get('/api/pumps')).body;
  const chosen = pumps.find((p) => p.name === name) || pumps[0];
  if (!chosen) return { title: t('parts.title', { pump: '' }), node: [empty(t('home.none'))] };
  const answer = await get(`/api/parts?pump=${encodeURIComponent(chosen.name)}`);
  const { parts, lives, gone } = answer.body;
  const ran = await get(`/api/hours?pump=${encodeURIComponent(chosen.name)}`);
  return {
    title: t('parts.title', { pump: chosen.name }),
    live: ['part', 'hours', 'all'],
    node: [
      caution('open'),
      pumpTabs(pumps, chosen.name, (p) => `#/parts/${encodeURIComponent(p)}`),
      oldNote(answer),
      el('section', {}, el('h2', {}, t('parts.now')), parts.length === 0 ? empty(t('parts.none')) : table(parts)),
      el('section', {}, el('h2', {}, t('parts.lives')), (lives || []).length === 0 ? empty(t('parts.nolives')) : el('ul', { class: 'plain' }, lives.map(life))),
      el('details', {}, el('summary', {}, t('parts.change')), change(chosen)),
      hours(chosen, ran.body),
      (gone || []).length === 0 ? null : el('section', {}, el('h2', {}, t('parts.gone')), el('ul', { class: 'plain' }, gone.map(out))),
    ],
  };
}

const place = (p) => [t('module', { module: p.module }), t(`part.${p.kind}`), p.side ? t(`side.${p.side}`) : null].filter(Boolean).join(', ');

function run(p) {
  const least = p.covered < 0.999 ? `${t('parts.least')} ` : '';
  const strokes = p.strokes === null || p.strokes === undefined ? t('parts.nostrokes') : t('parts.strokes', { n: (p.strokes / 1e6).toFixed(2) });
  return { ran: `${least}${p.hours.toFixed(0)} h`, strokes };
}

function table(parts) {
  return el(
    'ul',
    { class: 'plain tasks' },
    parts.map((p) => el('li', { class: 'card' }, el('strong', {}, place(p)), el('span', { class: 'hint' }, t('parts.since', { when: day(p.fitted_at), ...run(p) })))),
  );
}

/** A part that came out, with its photo. */
function out(p) {
  const words = [place(p), t(`why.${p.why}`), p.condition].filter(Boolean).join(', ');
  const photo = p.photo_sha256 ? smallPhoto(p.photo_sha256, `${words}, ${day(p.out_at)}`) : null;
  return el('li', { class: 'card' }, el('strong', {}, words), el('span', { class: 'hint' }, t('parts.out', { when: when(p.out_at), ...run(p) })), photo);
}

/** The pump's running hours: the last entry, and the next one from where that ended until now. */
function hours(pump, { last, unit, tour }) {
  const ran = numberField({ label: t('hours.ran'), unit });
  const from = el('input', { type: 'datetime-local', value: typed(last ? last.to : tour[0]) });
  const to = el('input', { type: 'datetime-local', value: typed(rigNow()) });
  const by = positionField();
  const form = entryForm({
    path: '/api/hours',
    send: t('hours.send'),
    words: () => t('entry.hours', { pump: pump.name }),
    fields: [ran.node, field(t('hours.from'), from, t('hours.clock')), field(t('hours.to'), to), by.node],
    body() {
      if (!ran.read() || !from.value || !to.value) throw new Error(t('hours.need'));
      return { pump: pump.name, hours: ran.read(), from: from.value, to: to.value, by: by.read() };
    },
    done() {},
  });
  const words = last ? t('hours.last', { hours: `${last.hours} ${unit}`, from: when(last.from), to: when(last.to) }) : t('hours.none');
  return el('section', { id: 'hours' }, el('h2', {}, t('hours.title')), el('p', { class: 'value' }, words), el('details', {}, el('summary', {}, t('hours.enter')), form));
}

function life(l) {
  if (l.early) return el('li', { class: 'card' }, el('strong', {}, t('parts.early'), ': '), l.text);
  const median = l.median_h === null || l.median_h === undefined ? t('parts.notreached') : `${l.median_h.toFixed(0)} h`;
  return el('li', { class: 'card' }, el('strong', {}, l.name), el('span', { class: 'hint' }, t('parts.life', { lives: l.lives, worn: l.worn_out, median })));
}

function change(pump) {
  const order = pump.order && pump.order.length > 0 ? [...pump.order].sort((a, b) => a - b) : Array.from({ length: pump.modules }, (_, i) => i + 1);
  const module = choices(t('parts.module'), 'module', order.map((m) => [String(m), String(m)]), null);
  const side = choices(t('parts.side'), 'side', [['suction', t('side.suction')], ['discharge', t('side.discharge')]], null);
  side.hidden = true;
  const kind = choices(t('parts.kind'), 'kind', KINDS.map((k) => [k, t(`part.${k}`)]), null, (k) => {
    side.hidden = !SIDED.includes(k);
  });
  const photo = photoField(t('parts.photo'));
  photo.node.hidden = true;
  const why = choices(t('parts.why'), 'why', [['', t('why.first')], ...WHYS.map((w) => [w, t(`why.${w}`)])], '', (w) => {
    // Without an old one there is none to be seen; a photo that was taken already stays in sight.
    photo.node.hidden = w === '' && !photo.read();
  });
  const condition = el('textarea', { rows: '2', maxlength: '1000' });
  const by = positionField();
  return entryForm({
    path: '/api/parts',
    send: t('parts.enter'),
    words: () => t('entry.part', { pump: pump.name }),
    fields: [module, kind, side, why, field(t('parts.condition'), condition, t('optional')), photo.node, by.node],
    body() {
      const m = chosenIn(module);
      const k = chosenIn(kind);
      if (!m || !k) throw new Error(t('parts.need'));
      const s = SIDED.includes(k) ? chosenIn(side) : null;
      if (SIDED.includes(k) && !s) throw new Error(t('parts.need.side'));
      const reason = chosenIn(why) || null;
      if (photo.read() && !reason) throw new Error(t('parts.photo.first'));
      const seen = photo.read() ? photo.read().sha256 : null;
      return { pump: pump.name, module: Number(m), kind: k, side: s, why: reason, condition: condition.value.trim(), photo: seen, by: by.read() };
    },
    photos: () => [photo.read()].filter(Boolean),
    done() {},
  });
}
