//! Recordings in, WAV files out.

use super::noise::to_index;
use super::room::Recorded;
use super::spec::{SampleError, within};

use std::path::Path;

/// Writes a recording as integer WAV: one channel, or two with the pulse in the second.
///
/// The file appears whole or not at all (temporary file beside it, then renamed).
///
/// # Errors
/// [`SampleError::OutOfRange`] unless `bits` is 8 to 32; [`SampleError::File`] and [`SampleError::Wav`] if the system
/// refuses.
pub fn write_wav(path: &Path, recorded: &Recorded, bits: u16) -> Result<(), SampleError> {
    let file_error = |source| SampleError::File { action: "write", path: path.display().to_string(), source };
    let wav_error = |source| SampleError::Wav { path: path.display().to_string(), source };
    within("bits", f64::from(bits), 8.0, 32.0)?;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(file_error)?;
    let mut file = tempfile::NamedTempFile::new_in(folder).map_err(file_error)?;
    let spec = hound::WavSpec {
        channels: if recorded.pulse.is_some() { 2 } else { 1 },
        sample_rate: u32::try_from(to_index(recorded.sample_rate_hz)).unwrap_or(u32::MAX),
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    };
    let top = f64::from(2_u32.pow(u32::from(bits) - 1) - 1);
    let mut writer = hound::WavWriter::new(std::io::BufWriter::new(file.as_file_mut()), spec).map_err(wav_error)?;
    for (i, x) in recorded.samples.iter().enumerate() {
        writer.write_sample(to_integer(*x, top)).map_err(wav_error)?;
        if let Some(pulse) = &recorded.pulse {
            writer.write_sample(to_integer(pulse.get(i).copied().unwrap_or(0.0), top)).map_err(wav_error)?;
        }
    }
    writer.finalize().map_err(wav_error)?;
    make_readable(file.as_file()).map_err(file_error)?;
    file.persist(path).map_err(|e| file_error(e.error))?;
    Ok(())
}

/// A temporary file is for its owner alone; a clip is for everyone who may read the folder.
fn make_readable(file: &std::fs::File) -> std::io::Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        file.set_permissions(std::fs::Permissions::from_mode(0o644))?;
    }
    #[cfg(not(unix))]
    let _ = file;
    Ok(())
}

#[expect(clippy::cast_possible_truncation, reason = "within +-top by the clamp")]
fn to_integer(x: f32, top: f64) -> i32 {
    (f64::from(x).clamp(-1.0, 1.0) * top).round() as i32
}
