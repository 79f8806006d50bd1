// Photos: taken or chosen for an entry, made smaller, kept with the entry until the laptop has them; and shown small.

import { bytes as sized } from './format.js';
import { button, el, newId } from './dom.js';
import { sha256 } from './sound.js';
import { t } from '/texts.js';

/** Longest side in pixels: a cut in a seat is seen, and half a megabyte goes over a weak network. */
const SIDE = 2560;
const QUALITY = 0.85;
/** What the server takes of a photo that this browser can't make smaller. */
const MOST_BYTES = 8 * 1024 * 1024;

/**
 * An upright JPEG of a sensible size; what else the phone wrote into the file, such as where it was taken, stays behind.
 * Returns {blob, words: what to say of it}.
 */
async function smaller(file) {
  let picture;
  try {
    picture = await createImageBitmap(file, { imageOrientation: 'from-image' });
  } catch {
    // A kind that this browser does not read: the server says whether it does.
    if (file.size > MOST_BYTES) throw new Error(t('photo.size', { size: sized(file.size) }));
    return { blob: new Blob([await file.arrayBuffer()], { type: file.type }), words: 'photo.as.is' };
  }
  const scale = Math.min(1, SIDE / Math.max(picture.width, picture.height));
  const canvas = el('canvas', { width: Math.max(1, Math.round(picture.width * scale)), height: Math.max(1, Math.round(picture.height * scale)) });
  const to = canvas.getContext('2d');
  to.fillStyle = '#fff';
  to.fillRect(0, 0, canvas.width, canvas.height);
  to.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  const blob = await new Promise((resolve) => canvas.toBlob(resolve, 'image/jpeg', QUALITY));
  if (!blob) throw new Error(t('photo.unread'));
  return { blob, words: 'photo.new' };
}

/** A field for one photo. Returns {node, read(): {blob, sha256, bytes} or null}. */
export function photoField(label) {
  const id = newId('photo');
  const shown = el('div', { class: 'outcome', 'aria-live': 'polite' });
  let photo = null;
  let turn = 0;
  const node = el('div', { class: 'field photo', role: 'group', 'aria-labelledby': id }, el('p', { id, class: 'label' }, label));
  /** While the phone's camera or chooser is open, and while there is a photo, the view is not drawn anew under it. */
  const hold = (on) => {
    if (on || photo) node.dataset.held = 'yes';
    else delete node.dataset.held;
  };

  async function take(input) {
    const file = input.files[0];
    // The same file may be chosen again.
    const done = () => {
      input.value = '';
      hold(false);
    };
    if (!file) return done();
    turn += 1;
    const mine = turn;
    shown.replaceChildren(el('p', { role: 'status' }, t('photo.reading')));
    try {
      if (file.size === 0) throw new Error(t('photo.unread'));
      const { blob, words } = await smaller(file);
      const made = { blob, sha256: await sha256(blob), bytes: blob.size };
      if (mine !== turn) return undefined;
      photo = made;
      const picture = el('img', { src: URL.createObjectURL(blob), alt: t('photo.alt.new', { what: label }) });
      const drop = button(t('photo.drop'), () => {
        photo = null;
        shown.replaceChildren();
        hold(false);
        node.querySelector('button').focus();
      });
      shown.replaceChildren(el('figure', { class: 'small-photo' }, picture, el('figcaption', { class: 'hint' }, t(words, { size: sized(blob.size) }))), drop);
    } catch (e) {
      photo = null;
      shown.replaceChildren(el('p', { class: 'problem', role: 'alert' }, e.message));
    }
    return done();
  }

  /** `camera`: straight to the camera; a field that asks for it lets many phones not choose, so there are two. */
  function way(words, camera, look) {
    const input = el('input', { type: 'file', accept: 'image/*', capture: camera ? 'environment' : null, class: 'unseen', tabindex: '-1', 'aria-hidden': 'true' });
    input.addEventListener('change', () => take(input));
    input.addEventListener('cancel', () => hold(false));
    const go = () => {
      hold(true);
      input.click();
    };
    return [button(words, go, look, { 'aria-describedby': id, disabled: !window.isSecureContext }), input];
  }
  node.append(el('div', { class: 'row' }, way(t('photo.take'), true, 'second'), way(t('photo.choose'), false, 'second')), shown);
  return { node, read: () => photo };
}

/** A photo of the book, small; `what` says what it shows. */
export function smallPhoto(sum, what) {
  const figure = el('figure', { class: 'small-photo' });
  const picture = el('img', {
    src: `/api/photos/${sum}`, alt: t('photo.alt', { what }), loading: 'lazy',
    onerror: () => figure.replaceChildren(el('p', { class: 'hint' }, t('photo.notshown'))),
  });
  figure.append(picture);
  return figure;
}
