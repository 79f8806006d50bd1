// A field for a number with its unit, and keys large enough for gloves.

import { button, el, newId } from './dom.js';
import { t } from '/texts.js';

/** Units of a kind that the server reads; the sheet's own comes first. */
const UNITS = {
  pressure: ['psi', 'bar', 'kPa', 'MPa'],
  temperature: ['°C', '°F'],
  length: ['mm', 'cm', 'in'],
  volume: ['l', 'gal', 'bbl'],
  flow: ['l/min', 'gpm', 'm3/h'],
  torque: ['N·m', 'ft-lbf'],
  density: ['ppg', 'sg', 'kg/m3'],
};
const PLAIN = { C: '°C', F: '°F', Nm: 'N·m', 'ft-lb': 'ft-lbf' };
const plain = (unit) => PLAIN[unit] || unit;

/** `2600 psi` into its number and unit. */
export function parts(text) {
  const found = /^\s*([-+−]?[\d.,]+)\s*(.*)$/.exec(text || '');
  return found ? { number: found[1].replace('−', '-'), unit: plain(found[2].trim()) } : { number: '', unit: '' };
}

/**
 * A number field with its unit and a pad.
 * `spec`: {label, kind, unit, value: text with unit, hint, whole: only digits, required}.
 * Returns {node, read(): text with unit or '', focus(), set(text), problem(words|null)}.
 */
export function numberField(spec) {
  const id = newId('n');
  const known = spec.kind ? UNITS[spec.kind] || [] : [];
  const start = parts(spec.value);
  const own = plain(spec.unit || start.unit || known[0] || '');
  const units = own && !known.includes(own) ? [own, ...known] : known;
  const input = el('input', {
    id, type: 'text', inputmode: 'none', autocomplete: 'off', class: 'number', value: start.number,
    'aria-describedby': `${id}-hint ${id}-problem`, enterkeyhint: 'next', required: spec.required || null,
  });
  let unit = null;
  if (units.length > 1) {
    unit = el('select', { class: 'unit', 'aria-label': t('unit.of', { what: spec.label }) }, units.map((u) => el('option', { value: u }, u)));
    unit.value = start.unit && units.includes(start.unit) ? start.unit : own;
  }
  const fixed = units.length === 1 ? el('span', { class: 'unit' }, units[0]) : null;
  const hint = el('p', { class: 'hint', id: `${id}-hint` }, spec.hint || '');
  const problem = el('p', { class: 'problem', id: `${id}-problem`, role: 'alert', hidden: true });
  const pad = el('div', { class: 'pad', role: 'group', 'aria-label': t('pad.of', { what: spec.label }), hidden: true });
  const node = el('div', { class: 'field numeric' }, el('label', { for: id }, spec.label), el('div', { class: 'with-unit' }, input, unit || fixed), hint, problem, pad);

  function type(key) {
    let text = input.value;
    if (key === 'back') text = text.slice(0, -1);
    else if (key === 'sign') text = text.startsWith('-') ? text.slice(1) : `-${text}`;
    else if (key === '.' && (spec.whole || text.includes('.'))) return;
    else text += key;
    input.value = text;
    clear();
  }
  const keys = ['1', '2', '3', '4', '5', '6', '7', '8', '9', spec.whole ? '' : '.', '0', 'back'];
  if (spec.kind === 'temperature') keys.push('sign');
  for (const key of keys) {
    if (key === '') {
      pad.append(el('span', {}));
      continue;
    }
    const words = key === 'back' ? '⌫' : key === 'sign' ? '±' : key;
    const name = key === 'back' ? t('pad.back') : key === 'sign' ? t('pad.sign') : key === '.' ? t('pad.point') : null;
    // Not by click alone: with pointerdown prevented the field keeps the focus, so the pad does not jump away.
    pad.append(button(words, () => type(key), key === 'sign' ? 'key wide' : 'key', { 'aria-label': name, tabindex: '-1', onpointerdown: (e) => e.preventDefault() }));
  }
  input.addEventListener('focus', () => {
    for (const other of document.querySelectorAll('.pad')) other.hidden = other !== pad;
    node.scrollIntoView({ block: 'nearest' });
  });
  input.addEventListener('input', clear);

  function clear() {
    problem.hidden = true;
    problem.textContent = '';
    input.removeAttribute('aria-invalid');
  }
  return {
    node,
    read() {
      const number = input.value.trim();
      if (number === '') return '';
      const u = unit ? unit.value : fixed ? fixed.textContent : '';
      return u ? `${number} ${u}` : number;
    },
    set(text) {
      const p = parts(text);
      input.value = p.number;
      if (unit && p.unit && units.includes(p.unit)) unit.value = p.unit;
      clear();
    },
    focus: () => input.focus(),
    problem(words) {
      clear();
      if (!words) return;
      problem.textContent = words;
      problem.hidden = false;
      input.setAttribute('aria-invalid', 'true');
    },
  };
}
