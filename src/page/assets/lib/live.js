// What other phones enter: the server tells, the views look again.

import { hear, tell } from './bus.js';
import { line, me, whoAmI } from './net.js';

let source = null;
let timer = null;

export function listen() {
  clearTimeout(timer);
  if (source) source.close();
  source = null;
  if (!me.paired || !window.EventSource) return;
  source = new EventSource('/api/events');
  let opened = false;
  source.onopen = () => {
    // After a gap anything may have happened.
    if (opened || !line.up) tell('live', { kind: 'all' });
    opened = true;
    if (!line.up) {
      line.up = true;
      tell('line', true);
    }
  };
  source.onmessage = (e) => {
    try {
      tell('live', JSON.parse(e.data));
    } catch {
      tell('live', { kind: 'all' });
    }
  };
  source.onerror = () => {
    if (line.up) {
      line.up = false;
      tell('line', false);
    }
    if (source && source.readyState === 2) {
      // Closed for good: paired no longer, or the server is another one now.
      clearTimeout(timer);
      timer = setTimeout(async () => {
        await whoAmI();
        listen();
      }, 5000);
    }
  };
}

hear('line', (up) => {
  // The server was reached by another way while the events sleep between two tries: do not wait.
  if (up && source && source.readyState !== 1) {
    clearTimeout(timer);
    timer = setTimeout(listen, 300);
  }
});
