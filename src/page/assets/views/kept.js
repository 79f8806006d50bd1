// What is kept on this phone and not yet in the book: nothing is lost silently, nothing is thrown away but by a person.

import { hear } from '../lib/bus.js';
import { button, el } from '../lib/dom.js';
import { bytes, when } from '../lib/format.js';
import { line } from '../lib/net.js';
import { empty } from '../lib/parts.js';
import * as sync from '../lib/sync.js';
import { t } from '/texts.js';

export async function view() {
  const list = el('div', {});
  async function draw() {
    const { entries, clips } = await sync.kept();
    const rows = [
      ...entries.map((e) => row(e, `${e.words} (${when(e.body.at)})${photoWords(e)}`)),
      ...clips.map((c) => row(c, t('kept.clip', { module: c.module, when: when(c.taken_at), size: bytes(c.bytes) }))),
    ];
    list.replaceChildren(rows.length === 0 ? empty(t('kept.none')) : el('ul', { class: 'plain cards' }, rows));
  }
  function row(item, words) {
    const actions = [];
    if (item.state === 'asked') actions.push(button(t('ask.yes'), () => sync.confirm(item.key).then(draw), 'first'));
    if (item.state === 'refused') actions.push(button(t('kept.again'), () => sync.retry(item.key).then(draw), 'first'));
    if (item.state !== 'waiting') actions.push(button(t('kept.drop'), () => drop(item), 'second'));
    return el(
      'li',
      { class: 'card' },
      el('p', {}, el('strong', {}, words)),
      el('p', { class: item.state === 'waiting' ? 'hint' : 'problem' }, item.state === 'waiting' ? t('kept.waiting') : item.error),
      item.state === 'waiting' ? null : (item.photos || []).map((p) => file(p.blob, `photo-${p.sha256.slice(0, 8)}.jpg`, t('kept.save.photo'))),
      item.blob && item.state !== 'waiting' ? save(item) : null,
      el('div', { class: 'row' }, actions),
    );
  }
  const save = (clip) => file(clip.blob, `module-${clip.module}.${clip.ending}`, t('kept.save'));
  const file = (blob, download, words) => el('p', {}, el('a', { class: 'button second', href: URL.createObjectURL(blob), download }, words));
  function photoWords({ photos }) {
    const sum = (photos || []).reduce((n, p) => n + p.bytes, 0);
    return sum > 0 ? `, ${t('kept.photo', { size: bytes(sum) })}` : '';
  }
  async function drop(item) {
    // Asked twice in the page itself: what is dropped here is nowhere else.
    const sure = el(
      'div',
      { class: 'ask', role: 'alert' },
      el('p', {}, t('kept.drop.sure')),
      el('div', { class: 'row' }, button(t('ask.no'), draw), button(t('kept.drop.yes'), () => sync.drop(item.key).then(draw), 'first')),
    );
    list.prepend(sure);
    sure.querySelector('button').focus();
  }
  await draw();
  const deaf = hear('queue', draw);
  return {
    title: t('kept.title'),
    node: [
      el('p', {}, t('kept.what')),
      el('p', { role: 'status' }, t(line.up ? 'line.up' : 'line.down')),
      button(t('kept.send'), () => sync.run().then(draw), 'first'),
      list,
    ],
    stop: deaf,
  };
}
