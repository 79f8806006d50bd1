// Copies what the microphone gives, block by block, and measures its level. Nothing is changed on the way.

/** Frames a parcel: about a twentieth of a second. */
const PARCEL = 2048;
/** Full scale, less a little: a converter's largest code is not always 1. */
const FULL = 0.999;

class Recorder extends AudioWorkletProcessor {
  constructor() {
    super();
    this.buffer = new Float32Array(PARCEL);
    this.filled = 0;
    this.expected = -1;
    this.lost = 0;
    this.peak = 0;
    this.clipped = 0;
    this.running = true;
    this.port.onmessage = () => {
      this.running = false;
    };
  }

  process(inputs) {
    if (!this.running) {
      this.hand();
      this.port.postMessage({ end: true, lost: this.lost });
      return false;
    }
    const channel = inputs[0] && inputs[0][0];
    const n = channel ? channel.length : 128;
    // Blocks that the machine was too busy to hand over are counted, and filled with silence so that the clip keeps its time.
    if (this.expected >= 0 && currentFrame > this.expected) this.gap(currentFrame - this.expected);
    if (this.expected < 0) this.port.postMessage({ start_s: currentTime });
    this.expected = currentFrame + n;
    for (let i = 0; i < n; i += 1) {
      const x = channel ? channel[i] : 0;
      const size = x < 0 ? -x : x;
      if (size > this.peak) this.peak = size;
      if (size >= FULL) this.clipped += 1;
      this.put(x);
    }
    return true;
  }

  gap(frames) {
    this.lost += frames;
    for (let i = 0; i < frames; i += 1) this.put(0);
  }

  put(x) {
    this.buffer[this.filled] = x;
    this.filled += 1;
    if (this.filled === PARCEL) this.hand();
  }

  hand() {
    if (this.filled === 0) return;
    const samples = this.buffer.slice(0, this.filled);
    this.port.postMessage({ samples, peak: this.peak, clipped: this.clipped }, [samples.buffer]);
    this.filled = 0;
    this.peak = 0;
    this.clipped = 0;
  }
}

registerProcessor('recorder', Recorder);
