// What this phone keeps (IndexedDB): answers for when there is no connection, entries and clips until the server has acknowledged them.

const NAME = 'seatsong';
const VERSION = 1;
const STORES = ['answers', 'queue', 'clips', 'done', 'choices'];
let opening = null;

function open() {
  if (!opening) {
    opening = new Promise((resolve, reject) => {
      if (!window.indexedDB) {
        reject(new Error('no IndexedDB'));
        return;
      }
      const request = indexedDB.open(NAME, VERSION);
      request.onupgradeneeded = () => {
        for (const name of STORES) {
          if (!request.result.objectStoreNames.contains(name)) request.result.createObjectStore(name);
        }
      };
      request.onsuccess = () => {
        // Another tab with a newer page wants to change the stores: let it.
        request.result.onversionchange = () => request.result.close();
        resolve(request.result);
      };
      request.onerror = () => reject(request.error);
      request.onblocked = () => reject(new Error('another tab holds the storage'));
    });
    opening.catch(() => {
      opening = null;
    });
  }
  return opening;
}

async function run(store, mode, work) {
  const db = await open();
  return new Promise((resolve, reject) => {
    const tx = db.transaction(store, mode);
    const request = work(tx.objectStore(store));
    // Resolved at the end of the transaction, not of the request: what is told as kept is on the disk.
    tx.oncomplete = () => resolve(request ? request.result : undefined);
    tx.onerror = () => reject(tx.error);
    tx.onabort = () => reject(tx.error || new Error('storage is full'));
  });
}

export const read = (store, key) => run(store, 'readonly', (s) => s.get(key));
export const all = (store) => run(store, 'readonly', (s) => s.getAll());
export const write = (store, key, value) => run(store, 'readwrite', (s) => s.put(value, key));
export const remove = (store, key) => run(store, 'readwrite', (s) => s.delete(key));

/** Asks the browser not to clear what is kept when it is short of room. */
export async function keep() {
  try {
    if (navigator.storage && navigator.storage.persist) await navigator.storage.persist();
  } catch {
    // A browser that refuses keeps it as it keeps all else.
  }
}

/** A key that no other entry of any phone has. */
export function newKey() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 0x0f) | 0x40;
  b[8] = (b[8] & 0x3f) | 0x80;
  const hex = Array.from(b, (x) => x.toString(16).padStart(2, '0')).join('');
  return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-${hex.slice(12, 16)}-${hex.slice(16, 20)}-${hex.slice(20)}`;
}
