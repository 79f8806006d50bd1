//! Pressure, power and precharge.

use super::{PumpError, positive};

/// Standard atmosphere in Pa: what turns gauge pressure into absolute where no barometer is at hand.
pub const ATMOSPHERE_PA: f64 = crate::units::PA_PER_ATM;

/// Hydraulic power in W: `P q`. The oilfield `psi gpm / 1714` is the same with 1714.286 rounded.
#[must_use]
pub fn hydraulic_power_w(pressure_pa: f64, flow_m3_per_s: f64) -> f64 {
    pressure_pa * flow_m3_per_s
}

/// Pressure at another rate and mud weight: `p1 (rate2 / rate1)^2 (mud2 / mud1)`, unit of `p1`.
///
/// The square is the handbook's, for fully turbulent flow; exponents of 1.7 to 2 are met.
///
/// # Arguments
/// - `rates`, `muds`: old and new, each pair in a unit of its own.
///
/// # Errors
/// [`PumpError::NotPositive`] when a rate or a mud weight is not above zero.
pub fn pressure_at_pa(p1_pa: f64, rates: [f64; 2], muds: [f64; 2]) -> Result<f64, PumpError> {
    let rate = positive("new rate", rates[1])? / positive("old rate", rates[0])?;
    let mud = positive("new mud weight", muds[1])? / positive("old mud weight", muds[0])?;
    Ok(p1_pa * rate * rate * mud)
}

/// Volumetric efficiency from a tank test: what arrived over what the strokes displace. Slip is one less this.
///
/// # Errors
/// [`PumpError::NotPositive`] when the strokes or the displacement are not above zero.
pub fn volumetric_efficiency(arrived_m3: f64, strokes: f64, displacement_m3: f64) -> Result<f64, PumpError> {
    Ok(arrived_m3 / (positive("strokes", strokes)? * positive("displacement", displacement_m3)?))
}

/// Gauge precharge of a dampener at another gas temperature: `(p1 + atmosphere) T2 / T1 - atmosphere`.
///
/// Gauge pressures in Pa, temperatures in kelvin: with degrees Fahrenheit put in raw the answer is off by a factor.
///
/// # Errors
/// [`PumpError::NotPositive`] when a temperature or the absolute pressure is not above zero.
pub fn precharge_at_temperature_pa(
    gauge_pa: f64,
    atmosphere_pa: f64,
    t1_kelvin: f64,
    t2_kelvin: f64,
) -> Result<f64, PumpError> {
    let absolute = positive("absolute precharge", gauge_pa + atmosphere_pa)?;
    let warmer = positive("new temperature in kelvin", t2_kelvin)? / positive("old temperature in kelvin", t1_kelvin)?;
    Ok(absolute * warmer - atmosphere_pa)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_that_cannot_be_are_refused() {
        assert!(pressure_at_pa(1e7, [0.0, 60.0], [1.0, 1.0]).is_err());
        assert!(pressure_at_pa(1e7, [60.0, 60.0], [10.0, f64::NAN]).is_err());
        assert!(volumetric_efficiency(1.0, 0.0, 0.0167).is_err());
        assert!(precharge_at_temperature_pa(1e6, ATMOSPHERE_PA, 0.0, 300.0).is_err());
    }
}
