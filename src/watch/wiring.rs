//! Which channel of the interface hears what: `1=m1,2=m2,3=m3,4=pulse`.

use crate::book::{Book, BookError, PumpRow, SpotRow};

/// What a channel carries, as typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Carries {
    /// A sensor at a module.
    Module {
        /// Module number.
        module: u32,
        /// Name of the spot; `None`: the one that every module has.
        spot: Option<String>,
    },
    /// One pulse a turn at the start of module 1's discharge stroke.
    Pulse,
}

/// One channel, as typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wire {
    /// Channel of the interface, counted from 1.
    pub channel: u16,
    /// Pump; `None`: the only one, or the one named apart.
    pub pump: Option<String>,
    /// What it carries.
    pub carries: Carries,
}

/// All channels, as typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wiring(pub Vec<Wire>);

/// Why a wiring can't be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WiringError {
    /// The text is none.
    #[error(
        "\"{part}\" is no channel of a map; write CHANNEL=mMODULE or CHANNEL=pulse, such as 1=m1,2=m2,3=m3,4=pulse; another pump as 5=MP-2/m1, a spot \
         of its own as 1=m1:guide"
    )]
    Text {
        /// The part that can't be understood.
        part: String,
    },
    /// Something is there twice.
    #[error("{what} is mapped twice; each channel carries one thing and each spot has one sensor")]
    Twice {
        /// The channel or the spot.
        what: String,
    },
    /// A pump with nothing but a pulse.
    #[error("pump {pump} has a pulse but no sensor in the map; add its modules, such as 1=m1")]
    NoSensor {
        /// The pump.
        pump: String,
    },
    /// A pump, module or spot that the book has not.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl std::str::FromStr for Wiring {
    type Err = WiringError;

    fn from_str(text: &str) -> Result<Self, WiringError> {
        let mut wires: Vec<Wire> = Vec::new();
        for part in text.split(',').map(str::trim) {
            let wire = wire(part).ok_or_else(|| WiringError::Text { part: part.to_owned() })?;
            if wires.iter().any(|w| w.channel == wire.channel) {
                return Err(WiringError::Twice { what: format!("channel {}", wire.channel) });
            }
            wires.push(wire);
        }
        Ok(Self(wires))
    }
}

fn wire(part: &str) -> Option<Wire> {
    let (channel, rest) = part.split_once('=')?;
    let channel: u16 = channel.trim().parse().ok().filter(|c| *c > 0)?;
    let (pump, what) = match rest.rsplit_once('/') {
        Some((pump, what)) => (Some(pump.trim().to_owned()).filter(|p| !p.is_empty()).map(Some)?, what.trim()),
        None => (None, rest.trim()),
    };
    if what.eq_ignore_ascii_case("pulse") {
        return Some(Wire { channel, pump, carries: Carries::Pulse });
    }
    let (module, spot) = match what.split_once(':') {
        Some((module, spot)) => (module.trim(), Some(spot.trim().to_owned()).filter(|s| !s.is_empty()).map(Some)?),
        None => (what, None),
    };
    let module = module.strip_prefix(['m', 'M'])?.parse().ok().filter(|m| *m > 0)?;
    Some(Wire { channel, pump, carries: Carries::Module { module, spot } })
}

/// A sensor at a spot of the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sensor {
    /// Channel, counted from 0.
    pub channel: usize,
    /// Its spot.
    pub spot: SpotRow,
}

/// One pump's channels.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// The pump.
    pub pump: PumpRow,
    /// Its sensors, by channel.
    pub sensors: Vec<Sensor>,
    /// Its pulse channel, counted from 0.
    pub pulse: Option<usize>,
}

impl Group {
    /// Names of its spots, each once.
    #[must_use]
    pub fn spot_names(&self) -> Vec<String> {
        let mut out: Vec<String> = Vec::new();
        for s in &self.sensors {
            if !out.iter().any(|n| n.eq_ignore_ascii_case(&s.spot.name)) {
                out.push(s.spot.name.clone());
            }
        }
        out
    }
}

impl Wiring {
    /// Channels that the interface has to have.
    #[must_use]
    pub fn channels(&self) -> u16 {
        self.0.iter().map(|w| w.channel).max().unwrap_or(0)
    }

    /// Looks everything up in the book, pump by pump.
    ///
    /// # Errors
    /// [`WiringError`].
    pub fn groups(&self, book: &Book, pump: Option<&str>) -> Result<Vec<Group>, WiringError> {
        let mut out: Vec<Group> = Vec::new();
        for wire in &self.0 {
            let row = book.pump_or_only(wire.pump.as_deref().or(pump))?;
            let at = out.iter().position(|g| g.pump.id == row.id).unwrap_or_else(|| {
                out.push(Group { pump: row.clone(), sensors: Vec::new(), pulse: None });
                out.len() - 1
            });
            let group = &mut out[at];
            let channel = usize::from(wire.channel) - 1;
            match &wire.carries {
                Carries::Pulse if group.pulse.is_some() => {
                    return Err(WiringError::Twice { what: format!("the pulse of pump {}", row.data.name) });
                }
                Carries::Pulse => group.pulse = Some(channel),
                Carries::Module { module, spot } => {
                    let spot = book.spot(&row, *module, spot.as_deref())?;
                    if group.sensors.iter().any(|s| s.spot.id == spot.id) {
                        let what = format!("pump {} module {module}, spot {}", row.data.name, spot.name);
                        return Err(WiringError::Twice { what });
                    }
                    group.sensors.push(Sensor { channel, spot });
                }
            }
        }
        match out.iter().find(|g| g.sensors.is_empty()) {
            Some(g) => Err(WiringError::NoSensor { pump: g.pump.data.name.clone() }),
            None => Ok(out),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn maps_are_read_as_people_write_them() {
        let wiring: Wiring = "1=m1, 2 = M2,12=MP-2/m3:guide,4=pulse,5=MP-2/Pulse".parse().unwrap();
        assert_eq!(wiring.channels(), 12);
        let module = |module, spot: Option<&str>| Carries::Module { module, spot: spot.map(str::to_owned) };
        let wire = |channel, pump: Option<&str>, carries| Wire { channel, pump: pump.map(str::to_owned), carries };
        assert_eq!(
            wiring.0,
            [
                wire(1, None, module(1, None)),
                wire(2, None, module(2, None)),
                wire(12, Some("MP-2"), module(3, Some("guide"))),
                wire(4, None, Carries::Pulse),
                wire(5, Some("MP-2"), Carries::Pulse),
            ]
        );
        for bad in ["", "1", "1=", "0=m1", "1=m0", "1=x1", "1=m1:", "1=/m1", "1=m1,,2=m2", "65536=m1", "-1=m1"] {
            assert!(bad.parse::<Wiring>().unwrap_err().to_string().contains("such as 1=m1"), "{bad}");
        }
        assert!("1=m1,1=m2".parse::<Wiring>().unwrap_err().to_string().contains("channel 1 is mapped twice"));
    }

    #[test]
    fn the_book_knows_the_spots() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(dir.path()).unwrap();
        let pump = |name: &str| crate::book::NewPump {
            name: name.to_owned(),
            order: vec![1, 2, 3],
            stroke_m: 0.3,
            rod_m: None,
            gear_ratio: None,
            rod_load_n: None,
            liners: Vec::new(),
            liner_m: None,
            units: crate::units::UnitSystem::Si,
        };
        book.add_pump(&pump("MP-1")).unwrap();
        let groups = |book: &Book, text: &str| text.parse::<Wiring>().unwrap().groups(book, None);
        let one = groups(&book, "2=m1,1=m3,4=pulse").unwrap();
        assert_eq!((one.len(), one[0].pulse, one[0].sensors[1].channel), (1, Some(3), 0));
        assert_eq!(one[0].sensors[1].spot.module, 3);
        for (text, says) in [
            ("1=m4", "module"),
            ("1=m1,2=m1", "twice"),
            ("1=pulse,2=pulse,3=m1", "twice"),
            ("1=pulse", "no sensor"),
            ("1=m1:nowhere", "nowhere"),
            ("1=MP-9/m1", "MP-9"),
        ] {
            let err = groups(&book, text).unwrap_err().to_string();
            assert!(err.contains(says), "{text}: {err}");
        }
        book.add_pump(&pump("MP-2")).unwrap();
        assert!(groups(&book, "1=m1").is_err(), "which pump?");
        let two = "1=m1,2=MP-2/m1".parse::<Wiring>().unwrap().groups(&book, Some("MP-1")).unwrap();
        assert_eq!(two.len(), 2);
    }
}
