//! Pressure, power, leaks and precharge.

use super::{PumpError, positive};

/// Standard atmosphere in Pa: what turns gauge pressure into absolute where no barometer is at hand.
pub const ATMOSPHERE_PA: f64 = crate::units::PA_PER_ATM;

/// Hydraulic power in W: `P q`. The oilfield `psi gpm / 1714` is the same with 1714.286 rounded.
#[must_use]
pub fn hydraulic_power_w(pressure_pa: f64, flow_m3_per_s: f64) -> f64 {
    pressure_pa * flow_m3_per_s
}

/// Pressure at another rate: `p1 (rate2 / rate1)^exponent`, unit of `p1`.
///
/// The handbook exponent is 2 (fully turbulent flow); 1.7 to 2 are met, see [`measured_exponent`].
///
/// # Errors
/// [`PumpError::NotPositive`] when a rate is not above zero.
pub fn pressure_at_rate_pa(p1_pa: f64, rate1: f64, rate2: f64, exponent: f64) -> Result<f64, PumpError> {
    Ok(p1_pa * (positive("new rate", rate2)? / positive("old rate", rate1)?).powf(exponent))
}

/// Pressure at another mud weight and the same rate: `p1 (weight2 / weight1)`, unit of `p1`.
///
/// # Errors
/// [`PumpError::NotPositive`] when a weight is not above zero.
pub fn pressure_at_mud_weight_pa(p1_pa: f64, weight1: f64, weight2: f64) -> Result<f64, PumpError> {
    Ok(p1_pa * positive("new mud weight", weight2)? / positive("old mud weight", weight1)?)
}

/// Exponent of pressure over rate from two readings: `ln(p1 / p2) / ln(rate1 / rate2)`.
///
/// # Errors
/// [`PumpError::NotPositive`] when a reading is not above zero, [`PumpError::SameRate`] when the rates are equal.
pub fn measured_exponent(p1: f64, rate1: f64, p2: f64, rate2: f64) -> Result<f64, PumpError> {
    let pressures = (positive("first pressure", p1)? / positive("second pressure", p2)?).ln();
    let rates = (positive("first rate", rate1)? / positive("second rate", rate2)?).ln();
    if rates.abs() < 1e-12 { Err(PumpError::SameRate) } else { Ok(pressures / rates) }
}

/// Volumetric efficiency from a tank test: what arrived over what the strokes displace. Slip is one less this.
///
/// # Errors
/// [`PumpError::NotPositive`] when the strokes or the displacement are not above zero.
pub fn volumetric_efficiency(arrived_m3: f64, strokes: f64, displacement_m3: f64) -> Result<f64, PumpError> {
    Ok(arrived_m3 / (positive("strokes", strokes)? * positive("displacement", displacement_m3)?))
}

/// Speed in m/s of a loss-free jet: `sqrt(2 dp / density)`; 0 when there is no pressure drop.
///
/// # Errors
/// [`PumpError::NotPositive`] when the density is not above zero.
pub fn jet_speed_m_per_s(drop_pa: f64, density_kg_per_m3: f64) -> Result<f64, PumpError> {
    Ok((2.0 * drop_pa.max(0.0) / positive("density", density_kg_per_m3)?).sqrt())
}

/// Leak through a gap in m3/s: `Cd A sqrt(2 dp / density)`.
///
/// `discharge_coefficient`: 0.61-0.62 for a sharp edge, 0.80 for a short tube, 0.97-0.98 for a rounded nozzle.
///
/// # Errors
/// [`PumpError::NotPositive`] when the density is not above zero.
pub fn leak_m3_per_s(
    discharge_coefficient: f64,
    area_m2: f64,
    drop_pa: f64,
    density_kg_per_m3: f64,
) -> Result<f64, PumpError> {
    Ok(discharge_coefficient * area_m2 * jet_speed_m_per_s(drop_pa, density_kg_per_m3)?)
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

/// Acceleration head of the suction line in m: `L V N C / (K g)`.
///
/// # Arguments
/// - `length_m`, `speed_m_per_s`: of the suction line and the mean flow in it.
/// - `spm`: strokes a minute.
/// - `pump_constant`: 0.066 for a triplex, 0.040 for a quintuplex, 0.115 for a double-acting and 0.200 for a single-acting duplex.
/// - `liquid_factor`: 1.4 for deaerated water, 1.5 for most liquids (1.5 from the worked example; the range from memory).
///
/// # Errors
/// [`PumpError::NotPositive`] when the liquid factor is not above zero.
pub fn acceleration_head_m(
    length_m: f64,
    speed_m_per_s: f64,
    spm: f64,
    pump_constant: f64,
    liquid_factor: f64,
) -> Result<f64, PumpError> {
    let factor = positive("liquid factor", liquid_factor)?;
    Ok(length_m * speed_m_per_s * spm * pump_constant / (factor * crate::units::M_S2_PER_G))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_that_cannot_be_are_refused() {
        assert!(pressure_at_rate_pa(1e7, 0.0, 60.0, 2.0).is_err());
        assert!(pressure_at_mud_weight_pa(1e7, 10.0, f64::NAN).is_err());
        assert_eq!(measured_exponent(2.0, 60.0, 3.0, 60.0), Err(PumpError::SameRate));
        assert!(measured_exponent(-2.0, 60.0, 3.0, 50.0).is_err());
        assert!(volumetric_efficiency(1.0, 0.0, 0.0167).is_err());
        assert!(jet_speed_m_per_s(1e6, 0.0).is_err());
        assert!(precharge_at_temperature_pa(1e6, ATMOSPHERE_PA, 0.0, 300.0).is_err());
        assert!(acceleration_head_m(1.0, 1.0, 60.0, 0.066, 0.0).is_err());
    }

    #[test]
    fn no_drop_no_leak() {
        assert_eq!(leak_m3_per_s(0.62, 1e-6, -5.0, 1000.0), Ok(0.0));
        let efficiency = volumetric_efficiency(0.96 * 500.0 * 0.0167, 500.0, 0.0167).unwrap();
        assert!((efficiency - 0.96).abs() < 1e-12);
    }
}
