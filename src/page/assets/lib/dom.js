// Makes elements. Text only ever goes in as text: nothing here reads HTML.

/** el('p', {class: 'small', onclick: f}, 'words', otherElement) */
export function el(tag, props, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) node.addEventListener(name.slice(2), value);
    else if (name === 'checked' || name === 'disabled' || name === 'hidden') node[name] = value;
    else if (name === 'value') {
      // Both: as an attribute it is what the field began with, by which a change is known.
      if (node.tagName === 'INPUT') node.setAttribute('value', value);
      node.value = value;
    }
    else node.setAttribute(name, value === true ? '' : value);
  }
  add(node, children);
  return node;
}

export function add(node, children) {
  for (const child of children.flat(3)) {
    if (child === null || child === undefined || child === false) continue;
    node.append(child instanceof Node ? child : document.createTextNode(String(child)));
  }
  return node;
}

const SVG = 'http://www.w3.org/2000/svg';

/** The same for pictures. */
export function svg(tag, props, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(props || {})) node.setAttribute(name, value);
  return add(node, children);
}

let counter = 0;
/** An id that no other element has. */
export const newId = (stem) => `${stem}-${(counter += 1)}`;

/** A label with its field; the field gets an id, the hint is tied to it. */
export function field(label, input, hint) {
  input.id = input.id || newId('f');
  const parts = [el('label', { for: input.id }, label), input];
  if (hint) {
    const id = `${input.id}-hint`;
    parts.push(el('p', { class: 'hint', id }, hint));
    const control = input.matches('input,select,textarea') ? input : input.querySelector('input');
    if (control) control.setAttribute('aria-describedby', id);
  }
  return el('div', { class: 'field' }, parts);
}

export const button = (words, onclick, look, more) =>
  el('button', { type: 'button', class: look || 'second', onclick, ...(more || {}) }, words);

export const link = (words, href, look) => el('a', { href, class: look || null }, words);

/** Choices of which one holds, as large buttons. */
export function choices(legend, name, options, chosen, onchange) {
  const group = el('fieldset', { class: 'choices' }, el('legend', {}, legend));
  const row = el('div', { class: 'row' });
  for (const [value, words] of options) {
    const id = newId('c');
    const input = el('input', { type: 'radio', name, id, value, checked: value === chosen });
    input.defaultChecked = value === chosen;
    if (onchange) input.addEventListener('change', () => onchange(value));
    row.append(el('span', { class: 'choice' }, input, el('label', { for: id }, words)));
  }
  group.append(row);
  return group;
}

export const chosenIn = (group) => {
  const input = group.querySelector('input:checked');
  return input ? input.value : null;
};
