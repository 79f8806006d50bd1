// From the microphone to a WAV file, as it comes: no gain control, no noise suppression, no echo cancelling.

/** Whether this browser, on this connection, can record. */
export const canRecord = () =>
  Boolean(window.isSecureContext && navigator.mediaDevices && navigator.mediaDevices.getUserMedia && window.AudioWorkletNode);

const WISH = { audio: { autoGainControl: false, noiseSuppression: false, echoCancellation: false, channelCount: { ideal: 1 } } };

/**
 * Opens the microphone.
 * Returns {rate_hz, treated: names of treatment that the phone does all the same, start(onparcel), stop(), close()}.
 */
export async function microphone() {
  const stream = await navigator.mediaDevices.getUserMedia(WISH);
  const track = stream.getAudioTracks()[0];
  const context = new AudioContext();
  try {
    await context.audioWorklet.addModule('/recorder-worklet.js');
    if (context.state === 'suspended') await context.resume();
  } catch (e) {
    for (const t of stream.getTracks()) t.stop();
    await context.close();
    throw e;
  }
  const source = context.createMediaStreamSource(stream);
  const is = track.getSettings ? track.getSettings() : {};
  const treated = ['autoGainControl', 'noiseSuppression', 'echoCancellation'].filter((name) => is[name] === true);
  let node = null;

  /** Begins a take; its parts go to `onparcel({samples, peak, clipped})`. Returns the take. */
  function start(onparcel) {
    const take = { parts: [], frames: 0, clipped: 0, lost: 0, start_s: null, ended: null, dead: false };
    node = new AudioWorkletNode(context, 'recorder', { numberOfInputs: 1, numberOfOutputs: 0, channelCount: 1, channelCountMode: 'explicit' });
    const ended = new Promise((resolve) => {
      node.port.onmessage = ({ data }) => {
        if (data.start_s !== undefined) {
          take.start_s = data.start_s;
        } else if (data.end) {
          take.lost = data.lost;
          resolve(take);
        } else {
          take.parts.push(data.samples);
          take.frames += data.samples.length;
          take.clipped += data.clipped;
          if (onparcel) onparcel(data, take);
        }
      };
    });
    take.ended = ended;
    track.addEventListener('ended', () => {
      take.dead = true;
    });
    source.connect(node);
    return take;
  }

  async function stop(take) {
    if (node) node.port.postMessage('stop');
    // A context that was put to sleep gives no last block; what came until then is the clip.
    await Promise.race([take.ended, new Promise((resolve) => setTimeout(resolve, 1500))]);
    if (node) source.disconnect(node);
    node = null;
    return take;
  }

  /** Seconds on the recorder's clock at a time of an event's clock (`event.timeStamp`, ms). */
  function clock_s(stamp_ms) {
    const pair = context.getOutputTimestamp ? context.getOutputTimestamp() : null;
    if (pair && pair.performanceTime > 0 && pair.contextTime > 0) return pair.contextTime + (stamp_ms - pair.performanceTime) / 1000;
    return context.currentTime + (stamp_ms - performance.now()) / 1000;
  }

  async function close() {
    for (const t of stream.getTracks()) t.stop();
    if (context.state !== 'closed') await context.close();
  }

  return { rate_hz: context.sampleRate, treated, label: track.label, start, stop, close, clock_s };
}

/** A 24-bit mono WAV of samples within -1 to 1. */
export function wav(parts, frames, rate_hz) {
  const bytes = new Uint8Array(44 + 3 * frames);
  const view = new DataView(bytes.buffer);
  const word = (at, text) => {
    for (let i = 0; i < 4; i += 1) bytes[at + i] = text.charCodeAt(i);
  };
  word(0, 'RIFF');
  view.setUint32(4, 36 + 3 * frames, true);
  word(8, 'WAVE');
  word(12, 'fmt ');
  view.setUint32(16, 16, true);
  view.setUint16(20, 1, true);
  view.setUint16(22, 1, true);
  view.setUint32(24, rate_hz, true);
  view.setUint32(28, rate_hz * 3, true);
  view.setUint16(32, 3, true);
  view.setUint16(34, 24, true);
  word(36, 'data');
  view.setUint32(40, 3 * frames, true);
  let at = 44;
  for (const part of parts) {
    for (let i = 0; i < part.length && at + 3 <= bytes.length; i += 1) {
      const x = Math.max(-8388608, Math.min(8388607, Math.round(part[i] * 8388608)));
      bytes[at] = x & 0xff;
      bytes[at + 1] = (x >> 8) & 0xff;
      bytes[at + 2] = (x >> 16) & 0xff;
      at += 3;
    }
  }
  return new Blob([bytes], { type: 'audio/wav' });
}

/** SHA-256 as 64 small hexadecimal digits. */
export async function sha256(blob) {
  const sum = await crypto.subtle.digest('SHA-256', await blob.arrayBuffer());
  return Array.from(new Uint8Array(sum), (b) => b.toString(16).padStart(2, '0')).join('');
}
