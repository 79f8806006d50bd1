//! Pumps, their liners and spots.

use rusqlite::{Connection, OptionalExtension as _, Row, params};

use super::error::{db, refused};
use super::{Book, BookError, Stamp};
use crate::pump::{LinerRating, parse_order, rated_pressure_pa};
use crate::units::UnitSystem;

/// A pump to be entered.
#[derive(Debug, Clone, PartialEq)]
pub struct NewPump {
    /// Name, once a book (case does not count).
    pub name: String,
    /// Module numbers in firing order.
    pub order: Vec<u32>,
    /// Stroke length in m.
    pub stroke_m: f64,
    /// Piston rod diameter in m.
    pub rod_m: Option<f64>,
    /// Turns of the pinion shaft a crank turn.
    pub gear_ratio: Option<f64>,
    /// Rated rod load in N, from the plate.
    pub rod_load_n: Option<f64>,
    /// Rated pressure a liner, from the plate.
    pub liners: Vec<LinerRating>,
    /// Bore of the fitted liner in m.
    pub liner_m: Option<f64>,
    /// Units in which this pump's numbers are shown.
    pub units: UnitSystem,
}

/// What of a pump is to be changed; `None` leaves it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PumpChange {
    /// Stroke length in m.
    pub stroke_m: Option<f64>,
    /// Piston rod diameter in m.
    pub rod_m: Option<f64>,
    /// Turns of the pinion shaft a crank turn.
    pub gear_ratio: Option<f64>,
    /// Rated rod load in N.
    pub rod_load_n: Option<f64>,
    /// Ratings to be added or replaced.
    pub liners: Vec<LinerRating>,
    /// Bore of the fitted liner in m.
    pub liner_m: Option<f64>,
    /// Units.
    pub units: Option<UnitSystem>,
}

/// A pump of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct PumpRow {
    /// Key in this book.
    pub id: i64,
    /// Key in all books.
    pub uuid: String,
    /// When it was entered.
    pub made_at: String,
    /// What is known of it.
    pub data: NewPump,
}

impl PumpRow {
    /// Module numbers from the lowest to the highest.
    #[must_use]
    pub fn modules(&self) -> Vec<u32> {
        let mut out = self.data.order.clone();
        out.sort_unstable();
        out
    }

    /// Rated pressure of the fitted liner in Pa: as entered for it, else from the rod load; `None` if neither is known.
    #[must_use]
    pub fn rating_pa(&self) -> Option<f64> {
        let bore = self.data.liner_m?;
        let entered = self.data.liners.iter().find(|l| same_bore(l.bore_m, bore)).map(|l| l.rating_pa);
        entered.or_else(|| rated_pressure_pa(self.data.rod_load_n?, bore).ok())
    }
}

/// Bores closer than this are one liner: typed in inches or in mm.
fn same_bore(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-4
}

/// A painted mark where clips are taken.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct SpotRow {
    /// Key in this book.
    #[serde(skip)]
    pub id: i64,
    /// Module.
    pub module: u32,
    /// Name, once a module.
    pub name: String,
    /// Where the paint mark is.
    pub note: String,
}

/// The spot that every module has.
pub(super) const MAIN_SPOT: &str = "main";

const PUMP: &str =
    "SELECT id, uuid, name, firing_order, stroke_m, rod_m, gear_ratio, rod_load_n, liner_m, units, made_at FROM pump";

/// A row whose texts are still to be understood.
fn pump_row(row: &Row<'_>) -> rusqlite::Result<(PumpRow, String, String)> {
    let data = NewPump {
        name: row.get(2)?,
        order: Vec::new(),
        stroke_m: row.get(4)?,
        rod_m: row.get(5)?,
        gear_ratio: row.get(6)?,
        rod_load_n: row.get(7)?,
        liners: Vec::new(),
        liner_m: row.get(8)?,
        units: UnitSystem::default(),
    };
    Ok((PumpRow { id: row.get(0)?, uuid: row.get(1)?, made_at: row.get(10)?, data }, row.get(3)?, row.get(9)?))
}

fn understood(conn: &Connection, (mut pump, order, units): (PumpRow, String, String)) -> Result<PumpRow, BookError> {
    let spoilt = |why: String| BookError::Spoilt { what: format!("pump {}", pump.data.name), why };
    pump.data.order = parse_order(&order).map_err(|e| spoilt(e.to_string()))?;
    pump.data.units = units.parse().map_err(|e: crate::units::QuantityError| spoilt(e.to_string()))?;
    let doing = db("read the liners");
    let mut rows = conn
        .prepare_cached("SELECT bore_m, rating_pa FROM liner WHERE pump_id = ?1 ORDER BY bore_m")
        .map_err(&doing)?;
    let liners = rows.query_map([pump.id], |r| Ok(LinerRating { bore_m: r.get(0)?, rating_pa: r.get(1)? }));
    pump.data.liners = liners.and_then(Iterator::collect).map_err(&doing)?;
    Ok(pump)
}

fn write_liners(conn: &Connection, pump_id: i64, liners: &[LinerRating]) -> Result<(), BookError> {
    for l in liners {
        if !(l.bore_m > 0.0 && l.rating_pa > 0.0) {
            return Err(refused("a liner needs a bore and a rated pressure above zero, such as 6in=3500psi"));
        }
        // A liner typed once in inches and once in mm is one.
        conn.execute("DELETE FROM liner WHERE pump_id = ?1 AND abs(bore_m - ?2) < 1e-4", params![pump_id, l.bore_m])
            .map_err(db("enter the liner"))?;
        conn.execute(
            "INSERT INTO liner (pump_id, bore_m, rating_pa) VALUES (?1, ?2, ?3)",
            params![pump_id, l.bore_m, l.rating_pa],
        )
        .map_err(db("enter the liner"))?;
    }
    Ok(())
}

impl Book {
    /// Enters a pump, with one spot a module.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a name that is taken or empty, a firing order that is none, a stroke that is not above zero.
    pub fn add_pump(&mut self, new: &NewPump) -> Result<PumpRow, BookError> {
        let name = new.name.trim();
        if name.is_empty() {
            return Err(refused("the pump needs a name"));
        }
        let order = new.order.iter().map(u32::to_string).collect::<Vec<_>>().join(",");
        parse_order(&order).map_err(|e| refused(e.to_string()))?;
        for (what, value) in [
            ("stroke length", Some(new.stroke_m)),
            ("rod diameter", new.rod_m),
            ("gear ratio", new.gear_ratio),
            ("rod load", new.rod_load_n),
            ("bore of the fitted liner", new.liner_m),
        ] {
            if value.is_some_and(|v| !(v > 0.0 && v.is_finite())) {
                return Err(refused(format!("the {what} of pump {name} must be above zero")));
            }
        }
        if self.find_pump(name)?.is_some() {
            return Err(refused(format!("pump {name} is in the book already; `pump set` changes it")));
        }
        let id = self.whole("enter the pump", |tx| {
            let doing = db("enter the pump");
            tx.execute(
                "INSERT INTO pump (name, firing_order, stroke_m, rod_m, gear_ratio, rod_load_n, liner_m, units, made_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                params![
                    name,
                    order,
                    new.stroke_m,
                    new.rod_m,
                    new.gear_ratio,
                    new.rod_load_n,
                    new.liner_m,
                    new.units.as_str(),
                    Stamp::now().text
                ],
            )
            .map_err(&doing)?;
            let id = tx.last_insert_rowid();
            write_liners(tx, id, &new.liners)?;
            for module in &new.order {
                tx.execute(
                    "INSERT INTO spot (pump_id, module, name) VALUES (?1, ?2, ?3)",
                    params![id, module, MAIN_SPOT],
                )
                .map_err(&doing)?;
            }
            Ok(id)
        })?;
        self.pump_by_id(id)
    }

    /// Changes a pump.
    ///
    /// # Errors
    /// [`BookError::Unknown`] if it is not in the book, [`BookError::Refused`] for what is not above zero.
    pub fn set_pump(&mut self, name: &str, change: &PumpChange) -> Result<PumpRow, BookError> {
        let pump = self.pump(name)?;
        for v in
            [change.stroke_m, change.rod_m, change.gear_ratio, change.rod_load_n, change.liner_m].into_iter().flatten()
        {
            if !(v > 0.0 && v.is_finite()) {
                return Err(refused(format!("what is set of pump {name} must be above zero")));
            }
        }
        self.whole("change the pump", |tx| {
            tx.execute(
                "UPDATE pump SET stroke_m = coalesce(?2, stroke_m), rod_m = coalesce(?3, rod_m),
                    gear_ratio = coalesce(?4, gear_ratio), rod_load_n = coalesce(?5, rod_load_n),
                    liner_m = coalesce(?6, liner_m), units = coalesce(?7, units)
                 WHERE id = ?1",
                params![
                    pump.id,
                    change.stroke_m,
                    change.rod_m,
                    change.gear_ratio,
                    change.rod_load_n,
                    change.liner_m,
                    change.units.map(UnitSystem::as_str)
                ],
            )
            .map_err(db("change the pump"))?;
            write_liners(tx, pump.id, &change.liners)
        })?;
        self.pump_by_id(pump.id)
    }

    /// All pumps by name.
    ///
    /// # Errors
    /// What the database says.
    pub fn pumps(&self) -> Result<Vec<PumpRow>, BookError> {
        let doing = db("read the pumps");
        let mut rows = self.conn.prepare_cached(&format!("{PUMP} ORDER BY name")).map_err(&doing)?;
        let raw: Vec<_> = rows.query_map([], pump_row).and_then(Iterator::collect).map_err(&doing)?;
        raw.into_iter().map(|r| understood(&self.conn, r)).collect()
    }

    fn find_pump(&self, name: &str) -> Result<Option<PumpRow>, BookError> {
        let found = self.conn.query_row(&format!("{PUMP} WHERE name = ?1"), [name.trim()], pump_row).optional();
        found.map_err(db("read the pump"))?.map(|r| understood(&self.conn, r)).transpose()
    }

    /// The pump of this name.
    ///
    /// # Errors
    /// [`BookError::Unknown`] names the pumps that there are.
    pub fn pump(&self, name: &str) -> Result<PumpRow, BookError> {
        if let Some(pump) = self.find_pump(name)? {
            return Ok(pump);
        }
        let names: Vec<String> = self.pumps()?.into_iter().map(|p| p.data.name).collect();
        let hint = if names.is_empty() {
            "there are no pumps yet: `seatsong pump add NAME --stroke 12in`".to_owned()
        } else {
            format!("its pumps: {}", names.join(", "))
        };
        Err(BookError::Unknown { what: format!("pump {name}"), hint })
    }

    /// The pump named, or the only one.
    ///
    /// # Errors
    /// [`BookError::Refused`] if none is named and there is not exactly one.
    pub fn pump_or_only(&self, name: Option<&str>) -> Result<PumpRow, BookError> {
        if let Some(name) = name {
            return self.pump(name);
        }
        let mut all = self.pumps()?;
        match (all.len(), all.pop()) {
            (1, Some(pump)) => Ok(pump),
            (0, _) => Err(refused("there are no pumps in the book yet: `seatsong pump add NAME --stroke 12in`")),
            (n, _) => Err(refused(format!("the book has {n} pumps; say which with --pump NAME"))),
        }
    }

    /// The pump with this key.
    ///
    /// # Errors
    /// [`BookError::Db`] if there is none.
    pub fn pump_by_id(&self, id: i64) -> Result<PumpRow, BookError> {
        let raw = self.conn.query_row(&format!("{PUMP} WHERE id = ?1"), [id], pump_row).map_err(db("read the pump"))?;
        understood(&self.conn, raw)
    }

    /// Spots of a pump, by module.
    ///
    /// # Errors
    /// What the database says.
    pub fn spots(&self, pump: &PumpRow) -> Result<Vec<SpotRow>, BookError> {
        let doing = db("read the spots");
        let mut rows = self
            .conn
            .prepare_cached("SELECT id, module, name, note FROM spot WHERE pump_id = ?1 ORDER BY module, id")
            .map_err(&doing)?;
        rows.query_map([pump.id], |r| {
            Ok(SpotRow { id: r.get(0)?, module: r.get(1)?, name: r.get(2)?, note: r.get(3)? })
        })
        .and_then(Iterator::collect)
        .map_err(&doing)
    }

    /// The spot with this key.
    ///
    /// # Errors
    /// [`BookError::Db`] if there is none.
    pub fn spot_by_id(&self, id: i64) -> Result<SpotRow, BookError> {
        let read = |r: &Row<'_>| Ok(SpotRow { id: r.get(0)?, module: r.get(1)?, name: r.get(2)?, note: r.get(3)? });
        let found = self.conn.query_row("SELECT id, module, name, note FROM spot WHERE id = ?1", [id], read);
        found.map_err(db("read the spot"))
    }

    /// Enters a spot, or the note of one that is there.
    ///
    /// # Arguments
    /// - `name`: `None` for the spot that every module has.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a module that the pump has not.
    pub fn add_spot(
        &mut self,
        pump: &PumpRow,
        module: u32,
        name: Option<&str>,
        note: &str,
    ) -> Result<SpotRow, BookError> {
        known_module(pump, module)?;
        let name = name.map(str::trim).filter(|n| !n.is_empty()).unwrap_or(MAIN_SPOT);
        self.whole("enter the spot", |tx| {
            tx.query_row(
                "INSERT INTO spot (pump_id, module, name, note) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT (pump_id, module, name) DO UPDATE SET note = excluded.note
                 RETURNING id, module, name, note",
                params![pump.id, module, name, note],
                |r| Ok(SpotRow { id: r.get(0)?, module: r.get(1)?, name: r.get(2)?, note: r.get(3)? }),
            )
            .map_err(db("enter the spot"))
        })
    }

    /// The spot of a module.
    ///
    /// # Errors
    /// [`BookError::Unknown`] names the module's spots.
    pub fn spot(&self, pump: &PumpRow, module: u32, name: Option<&str>) -> Result<SpotRow, BookError> {
        known_module(pump, module)?;
        let name = name.unwrap_or(MAIN_SPOT);
        let all: Vec<SpotRow> = self.spots(pump)?.into_iter().filter(|s| s.module == module).collect();
        all.iter().find(|s| s.name.eq_ignore_ascii_case(name)).cloned().ok_or_else(|| BookError::Unknown {
            what: format!("spot {name} of module {module} of pump {}", pump.data.name),
            hint: format!("its spots: {}", all.iter().map(|s| s.name.as_str()).collect::<Vec<_>>().join(", ")),
        })
    }
}

/// Refuses a module that the pump has not.
pub(super) fn known_module(pump: &PumpRow, module: u32) -> Result<(), BookError> {
    if pump.data.order.contains(&module) {
        return Ok(());
    }
    let have: Vec<String> = pump.modules().iter().map(u32::to_string).collect();
    Err(refused(format!("pump {} has no module {module}; it has {}", pump.data.name, have.join(", "))))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::book) fn triplex(name: &str) -> NewPump {
        NewPump {
            name: name.into(),
            order: vec![1, 3, 2],
            stroke_m: 0.3048,
            rod_m: None,
            gear_ratio: None,
            rod_load_n: Some(500_000.0),
            liners: vec![LinerRating { bore_m: 0.1524, rating_pa: 2.6e7 }],
            liner_m: Some(0.1524),
            units: UnitSystem::Us,
        }
    }

    #[test]
    fn a_pump_comes_back_as_it_was_entered() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(dir.path()).unwrap();
        let pump = book.add_pump(&triplex("MP-1")).unwrap();
        assert_eq!(book.pump("mp-1").unwrap(), pump);
        assert_eq!(pump.data, triplex("MP-1"));
        assert_eq!(pump.rating_pa(), Some(2.6e7));
        assert_eq!(book.spots(&pump).unwrap().len(), 3);
        assert!(book.add_pump(&triplex("mp-1")).is_err());
        let err = book.pump("MP-7").unwrap_err().to_string();
        assert!(err.contains("MP-1"), "{err}");
    }

    #[test]
    fn without_its_own_rating_a_liner_is_rated_by_the_rod_load() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(dir.path()).unwrap();
        book.add_pump(&triplex("MP-1")).unwrap();
        let change = PumpChange { liner_m: Some(0.127), ..PumpChange::default() };
        let pump = book.set_pump("MP-1", &change).unwrap();
        let want = 500_000.0 / (std::f64::consts::FRAC_PI_4 * 0.127 * 0.127);
        assert!((pump.rating_pa().unwrap() / want - 1.0).abs() < 1e-12);
        // 152.4 mm and 6 in are one liner: the newer rating counts.
        let again = LinerRating { bore_m: 0.152_399_999, rating_pa: 2.5e7 };
        let change = PumpChange { liners: vec![again], liner_m: Some(0.1524), ..PumpChange::default() };
        let pump = book.set_pump("MP-1", &change).unwrap();
        assert_eq!((pump.data.liners.len(), pump.rating_pa()), (1, Some(2.5e7)));
    }

    #[test]
    fn a_spot_keeps_its_newest_note() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(dir.path()).unwrap();
        let pump = book.add_pump(&triplex("MP-1")).unwrap();
        book.add_spot(&pump, 2, None, "white dot below the cap").unwrap();
        book.add_spot(&pump, 2, Some("liner"), "on the frame").unwrap();
        assert_eq!(book.spot(&pump, 2, None).unwrap().note, "white dot below the cap");
        assert_eq!(book.spots(&pump).unwrap().len(), 4);
        assert!(book.add_spot(&pump, 4, None, "").unwrap_err().to_string().contains("1, 2, 3"));
        assert!(book.spot(&pump, 2, Some("cap")).unwrap_err().to_string().contains("main, liner"));
    }
}
