// Who tells whom: 'queue' (what is kept on this phone changed), 'line' (connection), 'live' (another phone entered something),
// 'upload' (a clip moved on), 'me' (who we are changed).

const target = new EventTarget();

export const tell = (name, detail) => target.dispatchEvent(new CustomEvent(name, { detail }));

/** Listens; returns how to stop. */
export function hear(name, f) {
  const listener = (e) => f(e.detail);
  target.addEventListener(name, listener);
  return () => target.removeEventListener(name, listener);
}
