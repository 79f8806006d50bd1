//! Recordings as nobody should make them, each once: what a round may hold and still be judged. For the test programs `cli` and `book`.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

/// One of each odd clip, made from a healthy one (its first channel), under names that begin with `prefix`.
pub(crate) fn clips(healthy: &Path, folder: &Path, prefix: &str) -> Vec<PathBuf> {
    let mut reader = hound::WavReader::open(healthy).unwrap();
    let spec = reader.spec();
    let all = reader.samples::<i16>().step_by(usize::from(spec.channels));
    let x: Vec<f32> = all.map(|s| f32::from(s.unwrap()) / 32_768.0).collect();
    let rate = spec.sample_rate;
    let fewer = |hz: u32| -> Vec<u8> {
        let by = usize::try_from(rate / hz).unwrap();
        wav(hz, &x.chunks_exact(by).map(|c| c.iter().sum::<f32>() / by as f32).collect::<Vec<_>>())
    };
    let each = |f: &dyn Fn(usize, f32) -> f32| -> Vec<f32> { x.iter().enumerate().map(|(i, &v)| f(i, v)).collect() };
    // Multiplied by a large odd number, the index itself looks random.
    let noise = |i: usize| (i.wrapping_mul(2_654_435_761) >> 7 & 0xffff) as f32 / 32_768.0 - 1.0;
    let mut made: Vec<(String, Vec<u8>)> =
        [200, 500, 1000, 2000, 4000, 8000].map(|hz| (format!("{hz}-hz.wav"), fewer(hz))).into();
    let table: String =
        x.chunks_exact(32).enumerate().map(|(i, c)| format!("{},{}\n", i as f32 / 500.0, c[0])).collect();
    let more: [(&str, Vec<u8>); 21] = [
        ("2400-hz.wav", wav(2400, &x.chunks_exact(7).map(|c| c[3]).collect::<Vec<_>>())),
        ("192-khz.wav", wav(192_000, &x.iter().flat_map(|&v| [v; 12]).collect::<Vec<_>>())),
        ("500-hz.csv", format!("time_s,x_g\n{table}").into_bytes()),
        ("empty.wav", Vec::new()),
        ("header.wav", wav(rate, &[])[..44].to_vec()),
        ("cut.wav", wav(rate, &x)[..30].to_vec()),
        ("text.wav", b"this is no sound, it is a letter home".to_vec()),
        ("silence.wav", wav(rate, &each(&|_, _| 0.0))),
        ("constant.wav", wav(rate, &each(&|_, _| 0.5))),
        ("offset.wav", wav(rate, &each(&|_, v| v + 0.4))),
        ("noise.wav", wav(rate, &each(&|i, _| noise(i)))),
        ("stopped.wav", wav(rate, &each(&|i, _| 1e-3 * noise(i)))),
        ("tone.wav", wav(rate, &each(&|i, _| (i as f32 * 0.4).sin()))),
        ("clipped.wav", wav(rate, &each(&|_, v| (200.0 * v).clamp(-1.0, 1.0)))),
        ("nan.wav", float_wav(rate, &each(&|_, _| f32::NAN))),
        ("infinite.wav", float_wav(rate, &each(&|i, _| if i % 2 == 0 { f32::INFINITY } else { f32::NEG_INFINITY }))),
        ("some-nan.wav", float_wav(rate, &each(&|i, v| if i % 40_000 == 9 { f32::NAN } else { v }))),
        ("huge.wav", float_wav(rate, &each(&|_, v| 1e30 * v))),
        ("one.wav", wav(rate, &x[..1])),
        ("short.wav", wav(rate, &x[..x.len() / 40])),
        ("backwards.wav", wav(rate, &x.iter().rev().copied().collect::<Vec<_>>())),
    ];
    made.extend(more.map(|(name, bytes)| (name.to_owned(), bytes)));
    made.into_iter()
        .map(|(name, bytes)| {
            let path = folder.join(format!("{prefix}{name}"));
            std::fs::write(&path, bytes).unwrap();
            path
        })
        .collect()
}

fn wav(sample_rate: u32, x: &[f32]) -> Vec<u8> {
    let spec = WavSpec { channels: 1, sample_rate, bits_per_sample: 16, sample_format: SampleFormat::Int };
    #[expect(clippy::cast_possible_truncation, reason = "within 16 bits by the clamp")]
    let values: Vec<i16> = x.iter().map(|v| (32_768.0 * v).clamp(-32_768.0, 32_767.0) as i16).collect();
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = WavWriter::new(&mut bytes, spec).unwrap();
    values.into_iter().for_each(|v| writer.write_sample(v).unwrap());
    writer.finalize().unwrap();
    bytes.into_inner()
}

fn float_wav(sample_rate: u32, x: &[f32]) -> Vec<u8> {
    let spec = WavSpec { channels: 1, sample_rate, bits_per_sample: 32, sample_format: SampleFormat::Float };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = WavWriter::new(&mut bytes, spec).unwrap();
    x.iter().for_each(|&v| writer.write_sample(v).unwrap());
    writer.finalize().unwrap();
    bytes.into_inner()
}
