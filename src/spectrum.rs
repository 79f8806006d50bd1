//! Windows, spectra, decibels, frequency weightings and fractional-octave bands.
//!
//! Slices of samples in, levels and densities out. These are the plain, checked building blocks; the fast short-time spectra of the
//! stroke map live in [`crate::map`] and are tested against the ones here. Transforms are unscaled unless a formula says otherwise.

mod bands;
mod density;
mod shape;
mod weighting;
mod window;

pub use crate::units::{FLOOR_DB, amplitude_to_db, db_to_amplitude, db_to_power, power_to_db};
pub use bands::{Band, OCTAVE_RATIO, band, band_levels_db, bands, nominal_octaves_hz, nominal_third_octaves_hz};
pub use density::{
    Density, FramePowers, Scaling, SpectrumError, analytic_signal, envelope, frame_powers, real_spectrum, welch,
};
pub use shape::{average_periods, crest_factor, kurtosis, peak, rms};
pub use weighting::Weighting;
pub use window::{Ends, Window, coherent_gain, enbw_bins, highest_side_lobe_db, scalloping_loss_db};
