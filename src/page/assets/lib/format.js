// Numbers and times as people read them.

import { me } from './net.js';
import { t } from '/texts.js';

const NBSP = '\u00a0';

export function decibels(db) {
  if (db === null || db === undefined) return '–';
  const r = Math.round(db * 10) / 10;
  return `${r < 0 ? '−' : '+'}${Math.abs(r).toFixed(1)}${NBSP}dB`;
}

const kilo = (hz) => (hz >= 9950 ? (hz / 1000).toFixed(0) : `${Math.round(hz / 100) / 10}`);

export function band([low, high]) {
  if (low >= 1000) return `${kilo(low)}–${kilo(high)}${NBSP}kHz`;
  if (high >= 1000) return `${low.toFixed(0)}${NBSP}Hz–${kilo(high)}${NBSP}kHz`;
  return `${low.toFixed(0)}–${high.toFixed(0)}${NBSP}Hz`;
}

export const arc = ([from, to]) => `${from.toFixed(0)}° ${t('to')} ${to.toFixed(0)}°`;

/** As the commands write it: one figure, two below 20. */
export function chance(p) {
  if (p === null || p === undefined || !Number.isFinite(p) || p < 0) return t('chance.unknown');
  if (p < 1e-6) return t('chance.rare');
  if (p > 0.4) return t('chance.common');
  const n = 1 / p;
  const to = n < 20 ? 1 : 10 ** Math.floor(Math.log10(n));
  return t('chance.one', { n: (Math.round(n / to) * to).toLocaleString('en') });
}

function clock(at, options) {
  const date = new Date(at);
  if (Number.isNaN(date.getTime())) return '';
  try {
    return new Intl.DateTimeFormat('en-GB', { ...options, timeZone: me.zone || undefined }).format(date);
  } catch {
    return new Intl.DateTimeFormat('en-GB', options).format(date);
  }
}

export const time = (at) => clock(at, { hour: '2-digit', minute: '2-digit', hourCycle: 'h23' });
export const day = (at) => clock(at, { day: 'numeric', month: 'short' });

/** As a field for day and time holds it, on the rig's clock. */
export function typed(at) {
  const [d, m, y, hour, minute] = clock(at, { day: '2-digit', month: '2-digit', year: 'numeric', hour: '2-digit', minute: '2-digit', hourCycle: 'h23' }).match(/\d+/g) || [];
  return minute === undefined ? '' : `${y}-${m}-${d}T${hour}:${minute}`;
}

/** Time of today, or day and time. */
export function when(at) {
  if (!at) return '';
  return day(at) === day(new Date().toISOString()) ? time(at) : `${day(at)}, ${time(at)}`;
}

export function bytes(n) {
  return n < 1e6 ? `${Math.max(1, Math.round(n / 1e3))}${NBSP}kB` : `${(n / 1e6).toFixed(1)}${NBSP}MB`;
}

export const seconds = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, '0')}`;
