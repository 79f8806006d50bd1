//! Windows, short-time spectra, decibels, frequency weightings and fractional-octave bands.
