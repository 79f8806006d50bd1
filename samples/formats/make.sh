#!/bin/sh
# Makes the files of this folder again. Needs python3 and ffmpeg (5.1 made them); not part of the build.
set -eu
cd "$(dirname "$0")"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
python3 - "$work" <<'PY'
import math, random, struct, sys, wave
def write(name, rate, width, seconds, channels, noise):
    rng = random.Random(7)
    full = 2 ** (8 * width - 1)
    with wave.open(f"{sys.argv[1]}/{name}.wav", "wb") as out:
        out.setnchannels(len(channels)); out.setsampwidth(width); out.setframerate(rate)
        data = bytearray()
        for i in range(int(rate * seconds)):
            for freq in channels:
                x = 0.25 * math.sin(2 * math.pi * freq * i / rate) + noise * rng.uniform(-1, 1)
                data += struct.pack("<i", round(x * full))[:width]
        out.writeframes(bytes(data))
# Lossless forms are checked sample by sample, so they hold tones alone; lossy ones get some noise as well.
write("exact-16", 48000, 2, 1, [1000], 0)
write("exact-24", 48000, 3, 0.25, [1000, 500], 0)
write("exact-aiff", 16000, 3, 1, [1000], 0)
write("noisy", 48000, 2, 2, [1000], 0.005)
write("noisy-44k", 44100, 2, 2, [1000], 0.005)
PY
run() { ffmpeg -hide_banner -loglevel error -y -bitexact "$@"; }
run -i "$work/exact-16.wav" tone-1khz-48k-mono.flac
run -i "$work/exact-24.wav" -sample_fmt s32 tones-1khz-500hz-24bit-48k-stereo.flac
run -i "$work/exact-aiff.wav" -c:a pcm_s24be tone-1khz-24bit-16k-mono.aiff
run -i "$work/noisy.wav" -c:a libmp3lame -b:a 64k tone-1khz-48k-mono.mp3
run -i "$work/noisy.wav" -c:a aac -b:a 48k tone-1khz-48k-mono.aac
run -i "$work/noisy-44k.wav" -c:a aac -b:a 48k tone-1khz-44k-mono.m4a
run -i "$work/noisy.wav" -c:a libvorbis -q:a 2 tone-1khz-48k-mono.ogg
run -i "$work/noisy.wav" -ss 0 -t 0.5 -c:a pcm_mulaw tone-1khz-mulaw-48k-mono.wav
