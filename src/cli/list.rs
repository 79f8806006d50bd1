//! The table of clips that `compare --list` reads.

use std::collections::HashSet;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow, bail};

use super::files;
use super::options::discharge_bar;
use crate::score::request::Ask;
use crate::units::{console_can_show, number};

/// Good clips and clips to be judged, in the order of their rows.
#[derive(Debug, Default, Clone, PartialEq)]
pub(crate) struct Rows {
    /// Rows with role `good`.
    pub goods: Vec<Ask>,
    /// Rows with role `now`.
    pub nows: Vec<Ask>,
    /// Rows with role `good` that name a good clip again; they do not count.
    pub again: usize,
}

/// Where the columns are.
struct Columns {
    file: usize,
    role: usize,
    round: Option<usize>,
    spm: Option<usize>,
    pressure: Option<usize>,
    module: Option<usize>,
    pulse: Option<usize>,
}

/// Whether a CSV file is such a table and not a recording.
pub(crate) fn is_list(path: &Path) -> bool {
    let mut head = [0; 512];
    let Ok(mut file) = std::fs::File::open(path) else { return false };
    let Ok(n) = file.read(&mut head) else { return false };
    let text = String::from_utf8_lossy(&head[..n]);
    let first = text.lines().next().unwrap_or_default();
    let names: Vec<String> = first.split([',', ';']).map(name_of).collect();
    names.iter().any(|n| n == "file") && names.iter().any(|n| n == "role")
}

fn name_of(cell: &str) -> String {
    cell.trim_start_matches('\u{feff}').trim().trim_matches('"').to_ascii_lowercase()
}

/// Reads the table. `order` holds the pump's module numbers.
pub(crate) fn read(path: &Path, order: &[u32]) -> anyhow::Result<Rows> {
    let shown = path.display();
    let bytes =
        std::fs::read(path).with_context(|| format!("{shown}: the list of clips can't be read; check the name"))?;
    let first = bytes.split(|&b| b == b'\n').next().unwrap_or_default();
    let delimiter = if first.contains(&b';') && !first.contains(&b',') { b';' } else { b',' };
    let mut reader = csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).from_reader(bytes.as_slice());
    let header = reader.byte_headers().with_context(|| format!("{shown}: not a table"))?.clone();
    let columns = Columns::find(&header).map_err(|what| anyhow!("{shown}: {what}"))?;
    let mut rows = Rows::default();
    let mut seen = HashSet::new();
    for record in reader.byte_records() {
        let record = record.with_context(|| format!("{shown}: a line can't be read as a table row"))?;
        let line = record.position().map_or(0, csv::Position::line);
        let at = |what: String| anyhow!("{shown}: line {line}: {what}");
        let cells = Cells { record: &record };
        if (0..record.len()).all(|i| cells.get(Some(i)).is_none()) {
            continue;
        }
        if (header.len()..record.len()).any(|i| cells.get(Some(i)).is_some()) {
            let (found, named) = (record.len(), header.len());
            return Err(at(format!(
                "has {found} cells, the first line names {named}; write numbers with a decimal point, and a cell with a comma in quotes"
            )));
        }
        let (role, ask) = columns.row(&cells, path, order).map_err(at)?;
        match role {
            Role::Good if !seen.insert((files::identity(&ask.path), ask.module)) => rows.again += 1,
            Role::Good => rows.goods.push(ask),
            Role::Now => rows.nows.push(ask),
        }
    }
    if rows.nows.is_empty() {
        bail!("{shown}: no row has the role now: there is nothing to judge");
    }
    if rows.goods.is_empty() {
        bail!("{shown}: no row has the role good: there is nothing to compare with");
    }
    Ok(rows)
}

enum Role {
    Good,
    Now,
}

/// One row; an empty cell is `None`.
struct Cells<'a> {
    record: &'a csv::ByteRecord,
}

impl Cells<'_> {
    fn get(&self, column: Option<usize>) -> Option<String> {
        let text = String::from_utf8_lossy(self.record.get(column?)?).trim().to_owned();
        (!text.is_empty()).then_some(text)
    }

    /// A console reading.
    fn spm(&self, column: Option<usize>) -> Result<Option<f64>, String> {
        let Some(text) = self.get(column) else { return Ok(None) };
        let spm = number::in_file(&text).map_err(|err| format!("spm: {err}, or leave it empty if it is not known"))?;
        let read = console_can_show(spm);
        read.map(Some).map_err(|must| format!("spm is `{text}`; it {must}, or empty if it is not known"))
    }

    /// A discharge pressure in bar. With its unit a cell is what a person writes, not a number of the table, and is read as such.
    fn pressure(&self, column: Option<usize>) -> Result<Option<f64>, String> {
        self.get(column).map(|text| discharge_bar(&text)).transpose()
    }

    /// A number counted from 1.
    fn count<T: std::str::FromStr + PartialOrd + From<u8>>(
        &self,
        column: Option<usize>,
        name: &str,
    ) -> Result<Option<T>, String> {
        let Some(text) = self.get(column) else { return Ok(None) };
        match text.parse() {
            Ok(n) if n >= T::from(1) => Ok(Some(n)),
            _ => Err(format!("{name} is `{text}`; it must be a whole number from 1, or empty if it is not known")),
        }
    }
}

impl Columns {
    fn find(header: &csv::ByteRecord) -> Result<Self, String> {
        let names: Vec<String> = header.iter().map(|cell| name_of(&String::from_utf8_lossy(cell))).collect();
        let at = |name: &str| names.iter().position(|n| n == name);
        let need = |name: &str| {
            at(name).ok_or_else(|| {
                format!("no column `{name}` in the first line; it must read file,role,round,spm,pressure,module,pulse")
            })
        };
        Ok(Self {
            file: need("file")?,
            role: need("role")?,
            round: at("round"),
            spm: at("spm"),
            pressure: at("pressure"),
            module: at("module"),
            pulse: at("pulse"),
        })
    }

    fn row(&self, cells: &Cells<'_>, list: &Path, order: &[u32]) -> Result<(Role, Ask), String> {
        let file = cells.get(Some(self.file)).ok_or("the cell `file` is empty")?;
        let role = match cells.get(Some(self.role)).map(|r| r.to_ascii_lowercase()).as_deref() {
            Some("good") => Role::Good,
            Some("now") => Role::Now,
            other => return Err(format!("role is `{}`; it must be good or now", other.unwrap_or_default())),
        };
        let module = cells.count::<u32>(self.module, "module")?;
        if let Some(m) = module.filter(|m| !order.contains(m)) {
            return Err(format!("module {m} is not one of the pump's {order:?}; give --modules or --order"));
        }
        let ask = Ask {
            path: beside(list, &file),
            module,
            round: cells.get(self.round),
            spm: cells.spm(self.spm)?,
            pressure: cells.pressure(self.pressure)?,
            pulse: cells.count::<u16>(self.pulse, "pulse")?,
            file,
        };
        Ok((role, ask))
    }
}

/// A file named in a list: beside the list if it is there, else from the working folder.
fn beside(list: &Path, file: &str) -> PathBuf {
    let near = list.parent().unwrap_or(Path::new("")).join(file);
    if near.exists() || !Path::new(file).exists() { near } else { PathBuf::from(file) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> anyhow::Result<Rows> {
        let dir = tempfile::tempdir()?;
        let path = dir.path().join("clips.csv");
        std::fs::write(&path, text)?;
        assert_eq!(is_list(&path), text.contains("role"));
        read(&path, &[1, 2, 3])
    }

    #[test]
    fn columns_may_come_in_any_order_with_others_between() {
        let rows = read_text("module,note,role,file\n2,windy,good,a.wav\n\n,,now,b.wav\n").unwrap();
        assert_eq!(rows.goods[0].module, Some(2));
        assert_eq!(rows.goods[0].file, "a.wav");
        assert_eq!((rows.nows[0].module, rows.nows[0].spm), (None, None));
    }

    #[test]
    fn a_good_clip_named_twice_counts_once() {
        let dir = tempfile::tempdir().unwrap();
        for name in ["a.wav", "b.wav"] {
            std::fs::write(dir.path().join(name), name).unwrap();
        }
        let path = dir.path().join("clips.csv");
        std::fs::write(
            &path,
            "file,role,round\na.wav,good,1\nb.wav,good,2\n./a.wav,good,3\nb.wav,now,t\nb.wav,now,t\n",
        )
        .unwrap();
        let rows = read(&path, &[1]).unwrap();
        assert_eq!((rows.goods.len(), rows.again, rows.nows.len()), (2, 1, 2));
        assert_eq!(rows.goods[0].round.as_deref(), Some("1"));
    }

    #[test]
    fn a_table_from_a_spreadsheet_with_semicolons_is_read_and_its_decimal_commas_are_refused() {
        let table =
            |spm: &str| format!("\u{feff}file;role;spm;pressure\na.wav;good;72.5;17,9MPa\nb.wav;now;{spm};2600psi\n");
        let rows = read_text(&table("71.5")).unwrap();
        assert_eq!((rows.goods[0].spm, rows.goods[0].pressure), (Some(72.5), Some(179.0)), "a pressure is typed");
        assert!((rows.nows[0].pressure.unwrap() - 179.264).abs() < 0.001);
        let got = read_text(&table("71,5")).unwrap_err().to_string();
        assert!(got.contains("line 3: spm: \"71,5\" has a comma; write or export"), "{got}");
    }

    #[test]
    fn what_is_wrong_is_told_with_its_line() {
        for (text, want) in [
            ("file,rolle\na,good\n", "no column `role`"),
            ("file,role\na.wav,god\n", "line 2: role is `god`"),
            ("file,role,spm\na.wav,good,72\nb.wav,now,fast\n", "line 3: spm: \"fast\" is not a number"),
            (
                "file,role,spm\na.wav,good,72,5\n",
                "line 2: has 4 cells, the first line names 3; write numbers with a decimal",
            ),
            ("file,role,spm\na.wav,now,7200\n", "line 2: spm is `7200`; it must be strokes a minute, from 5 to 400"),
            ("file,role,module\na.wav,good,7\n", "line 2: module 7"),
            ("file,role,pulse\na.wav,good,0\n", "line 2: pulse is `0`"),
            ("file,role,pressure\na.wav,good,12 elephants\n", "line 2: \"elephants\" in \"12 elephants\" is no unit"),
            ("file,role,pressure\na.wav,good,0bar\n", "line 2: \"0bar\" is no discharge pressure"),
            ("file,role,pressure\na.wav,good,12bar\nb.wav,now,12\n", "line 3: \"12\" has no unit"),
            (
                "file,role,pressure\na.wav,good,\"2,600psi\"\n",
                "line 2: \"2,600psi\" can be read as 2600 psi or as 2.6 psi",
            ),
            ("file,role\na.wav,good\n", "nothing to judge"),
            ("file,role\na.wav,now\n", "nothing to compare with"),
            ("", "no column `file`"),
        ] {
            let got = read_text(text).unwrap_err().to_string();
            assert!(got.contains(want), "{text:?}: {got}");
        }
    }
}
