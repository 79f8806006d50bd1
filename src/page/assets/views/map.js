// Where in the turn and in frequency a module changed: touch to read, listen to healthy and now at that place.

import { button, choices, el, link } from '../lib/dom.js';
import { arc, band } from '../lib/format.js';
import { get, line } from '../lib/net.js';
import { caution, oldNote, trouble } from '../lib/parts.js';
import { strokeMap } from '../lib/strokemap.js';
import { t } from '/texts.js';

export async function view(id, module) {
  const answer = await get(`/api/rounds/${id}/map?module=${module}`, { wait_ms: 60000 });
  const map = answer.body;
  const read = el('output', { class: 'readout', 'aria-live': 'polite' });
  const drawing = strokeMap(map, ({ words }) => {
    read.textContent = words;
  });
  const which = choices(t('map.which'), 'which', [['difference', t('map.difference')], ['now', t('map.now')], ['good', t('map.good')]], 'difference', (name) => drawing.show(name));
  const player = el('audio', { controls: true, 'aria-label': t('map.player'), hidden: true });
  const said = el('p', { role: 'status', class: 'hint' });
  const listen = (name, where) => async () => {
    const place = where === 'found' && map.arc_deg && map.band_hz ? { arc: map.arc_deg, band: map.band_hz } : drawing.place();
    const turn = `${place.arc.map((x) => x.toFixed(1)).join(',')}`;
    const path = `/api/rounds/${id}/hear?module=${module}&which=${name}&arc=${turn}&band=${place.band.map((x) => x.toFixed(0)).join(',')}`;
    said.textContent = t('map.making', { which: t(`map.${name}`), arc: arc(place.arc), band: band(place.band) });
    player.hidden = false;
    player.src = path;
    try {
      await player.play();
      said.textContent = t('map.playing', { which: t(`map.${name}`), arc: arc(place.arc), band: band(place.band) });
    } catch (e) {
      if (e.name === 'AbortError') return;
      said.replaceChildren(trouble(new Error(t('map.nosound'))));
    }
  };
  const rows = [el('h2', {}, t('map.listen'))];
  rows.push(el('p', { class: 'hint' }, t('map.ears')));
  if (map.arc_deg && map.band_hz) {
    rows.push(el('p', {}, t('map.found', { arc: arc(map.arc_deg), band: band(map.band_hz) })));
    rows.push(el('div', { class: 'row' }, button(t('map.hear.good'), listen('good', 'found'), 'second'), button(t('map.hear.now'), listen('now', 'found'), 'first')));
  }
  rows.push(el('p', {}, t('map.here')));
  rows.push(el('div', { class: 'row' }, button(t('map.hear.good.here'), listen('good', 'here')), button(t('map.hear.now.here'), listen('now', 'here'))));
  setTimeout(() => drawing.begin(), 0);
  return {
    title: t('map.title', { module, round: id }),
    node: [
      caution('verdict', 'open'),
      oldNote(answer),
      which,
      el('p', { class: 'hint', id: 'map-keys' }, t('map.keys')),
      drawing.node,
      el('p', { class: 'legend' }, t('map.legend')),
      read,
      map.angle === 'relative' ? el('p', { class: 'hint' }, t('map.relative')) : el('p', { class: 'hint' }, t('map.halves')),
      el('section', {}, rows, line.up ? null : el('p', { class: 'old' }, t('map.needs.line')), said, player),
      el('details', {}, el('summary', {}, t('map.table')), drawing.table()),
      link(t('back.verdict'), `#/verdict/${id}`, 'back'),
    ],
    stop() {
      player.pause();
      drawing.stop();
    },
  };
}
