// What sits where, since when, how long such parts last; and entering that one was changed.

import { choices, chosenIn, el, field } from '../lib/dom.js';
import { day } from '../lib/format.js';
import { get } from '../lib/net.js';
import { caution, empty, entryForm, oldNote, positionField, pumpTabs } from '../lib/parts.js';
import { t } from '/texts.js';

const KINDS = ['valve', 'seat', 'spring', 'guide', 'gasket', 'piston', 'liner', 'rod-clamp'];
const SIDED = ['valve', 'seat', 'spring', 'guide', 'gasket'];
const WHYS = ['washed', 'worn', 'broken', 'planned', 'resized', 'unknown'];

export async function view(name) {
  const pumps = (await get('/api/pumps')).body;
  const chosen = pumps.find((p) => p.name === name) || pumps[0];
  if (!chosen) return { title: t('parts.title', { pump: '' }), node: [empty(t('home.none'))] };
  const answer = await get(`/api/parts?pump=${encodeURIComponent(chosen.name)}`);
  const { parts, lives } = answer.body;
  return {
    title: t('parts.title', { pump: chosen.name }),
    live: ['part', 'all'],
    node: [
      caution('open'),
      pumpTabs(pumps, chosen.name, (p) => `#/parts/${encodeURIComponent(p)}`),
      oldNote(answer),
      el('section', {}, el('h2', {}, t('parts.now')), parts.length === 0 ? empty(t('parts.none')) : table(parts)),
      el('section', {}, el('h2', {}, t('parts.lives')), (lives || []).length === 0 ? empty(t('parts.nolives')) : el('ul', { class: 'plain' }, lives.map(life))),
      el('details', {}, el('summary', {}, t('parts.change')), change(chosen)),
    ],
  };
}

const place = (p) => [t('module', { module: p.module }), t(`part.${p.kind}`), p.side ? t(`side.${p.side}`) : null].filter(Boolean).join(', ');

function table(parts) {
  return el(
    'ul',
    { class: 'plain tasks' },
    parts.map((p) => {
      const least = p.covered < 0.999 ? `${t('parts.least')} ` : '';
      const ran = `${least}${p.hours.toFixed(0)} h`;
      const strokes = p.strokes === null || p.strokes === undefined ? t('parts.nostrokes') : t('parts.strokes', { n: (p.strokes / 1e6).toFixed(2) });
      return el('li', { class: 'card' }, el('strong', {}, place(p)), el('span', { class: 'hint' }, t('parts.since', { when: day(p.fitted_at), ran, strokes })));
    }),
  );
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
  const why = choices(t('parts.why'), 'why', [['', t('why.first')], ...WHYS.map((w) => [w, t(`why.${w}`)])], '');
  const condition = el('textarea', { rows: '2', maxlength: '1000' });
  const by = positionField();
  return entryForm({
    path: '/api/parts',
    send: t('parts.enter'),
    words: () => t('entry.part', { pump: pump.name }),
    fields: [module, kind, side, why, field(t('parts.condition'), condition, t('optional')), by.node],
    body() {
      const m = chosenIn(module);
      const k = chosenIn(kind);
      if (!m || !k) throw new Error(t('parts.need'));
      const s = SIDED.includes(k) ? chosenIn(side) : null;
      if (SIDED.includes(k) && !s) throw new Error(t('parts.need.side'));
      return { pump: pump.name, module: Number(m), kind: k, side: s, why: chosenIn(why) || null, condition: condition.value.trim(), by: by.read() };
    },
    done() {},
  });
}
