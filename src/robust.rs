//! Statistics that a few wild values do not move: median, MAD, quantiles, Theil-Sen.
