class Recorder extends AudioWorkletProcessor { process() { return true; } }
registerProcessor("recorder", Recorder);
