//! The whole book in one file to carry, and back.
//!
//! The file is a ustar archive: `manifest.json` (every file's name, size and SHA-256), `book.db` (the database as it was when packing began),
//! then the recordings. It is written under a temporary name and renamed when it is complete and synced; an interrupted packing or unpacking
//! goes on where it was, after looking again at what is there by checksum.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use rusqlite::Connection;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::clips::{CLIP, clip_row, hex, sum_of};
use super::error::{db, file, refused};
use super::name::inside;
use super::photos::{PHOTOS, photos_of};
use super::store::{CLIPS, DATABASE, INCOMING, QUARANTINE, sync_dir};
use super::tar::{self, Entry};
use super::{Book, BookError, ClipRow, SCHEMA};

/// First file of a pack.
const MANIFEST: &str = "manifest.json";
/// Name and version of the manifest.
const PACK_SCHEMA: &str = "seatsong.pack/1";
/// Largest manifest that is read: ten years of rounds need about 40 MB.
const MOST_MANIFEST: u64 = 1 << 30;
/// Bytes copied at a time.
const CHUNK: usize = 1 << 16;

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Packed {
    name: String,
    bytes: u64,
    sha256: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Manifest {
    schema: String,
    form: i32,
    files: Vec<Packed>,
    /// Recordings that the book has lost: their entries are in the database, their bytes are not here.
    lost: Vec<String>,
}

/// What packing or unpacking did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PackReport {
    /// Files in the pack, the database among them.
    pub files: usize,
    /// Files that were there already from an interrupted run.
    pub kept: usize,
    /// Bytes of the files.
    pub bytes: u64,
    /// Recordings that the book has lost.
    pub lost: Vec<String>,
}

/// `book.pack` to `book.pack.part`.
fn beside(out: &Path, ending: &str) -> PathBuf {
    let mut name = out.file_name().unwrap_or_default().to_os_string();
    name.push(ending);
    out.with_file_name(name)
}

fn folder_of(path: &Path) -> PathBuf {
    path.parent().filter(|p| !p.as_os_str().is_empty()).map_or_else(|| PathBuf::from("."), Path::to_path_buf)
}

impl Book {
    /// Packs the book into one file.
    ///
    /// # Arguments
    /// - `out`: must not exist yet; `out.part` of an interrupted run is gone on with.
    /// - `step`: called after each file.
    ///
    /// # Errors
    /// [`BookError::Refused`] if `out` exists or a recording's bytes have changed; a full disk leaves `out.part` to go on with.
    pub fn pack(&self, out: &Path, step: &dyn Fn()) -> Result<PackReport, BookError> {
        if out.exists() {
            return Err(refused(format!("{}: is there already; give another name, or move it away", out.display())));
        }
        self.settle()?;
        let part = beside(out, ".part");
        let resumed = if part.is_file() { resume(&part)? } else { None };
        let (manifest, mut to, kept) = match resumed {
            Some((manifest, done, end)) => {
                let mut to = File::options().write(true).open(&part).map_err(file("go on with the pack", &part))?;
                to.set_len(end).map_err(file("go on with the pack", &part))?;
                to.seek(SeekFrom::End(0)).map_err(file("go on with the pack", &part))?;
                (manifest, BufWriter::new(to), done)
            }
            None => self.begin(out, &part)?,
        };
        let clips = self.every_clip()?.into_iter().map(|c| (self.clip_path(&c), c.file));
        let photos = self.photos()?.into_iter().map(|p| (self.photo_path(&p.file), p.file));
        let by_name: HashMap<String, PathBuf> =
            clips.chain(photos).filter_map(|(path, name)| Some((name, path.ok()?))).collect();
        for packed in &manifest.files[kept..] {
            let path = by_name.get(&packed.name).ok_or_else(|| {
                refused(format!(
                    "{}: is in the unfinished pack and no longer in the book; remove {}",
                    packed.name,
                    part.display()
                ))
            })?;
            put(&mut to, packed, path, &part)?;
            step();
        }
        tar::finish(&mut to).map_err(file("write the pack", &part))?;
        let done = to.into_inner().map_err(|e| file("write the pack", &part)(e.into_error()))?;
        done.sync_all().map_err(file("sync the pack", &part))?;
        std::fs::rename(&part, out).map_err(file("name the pack", out))?;
        sync_dir(&folder_of(out))?;
        let bytes = manifest.files.iter().map(|f| f.bytes).sum();
        // What was there: the database counts as one of the kept files only if the run was resumed.
        Ok(PackReport { files: manifest.files.len(), kept, bytes, lost: manifest.lost })
    }

    /// Writes the manifest and the database.
    fn begin(&self, out: &Path, part: &Path) -> Result<(Manifest, BufWriter<File>, usize), BookError> {
        // A name of its own beside the pack: what a power cut leaves of it is replaced by the next run.
        let database = beside(out, ".part.db");
        match std::fs::remove_file(&database) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                return Err(file("replace the database's copy", &database)(e));
            }
            _ => {}
        }
        self.conn
            .execute("VACUUM INTO ?1", [database.to_string_lossy()])
            .map_err(db("copy the database for the pack"))?;
        let bytes = database.metadata().map_err(file("read the database's copy", &database))?.len();
        let mut files = vec![Packed { name: DATABASE.to_owned(), bytes, sha256: sum_of(&database)? }];
        let mut lost = Vec::new();
        let copied = Connection::open(&database).map_err(db("read the database's copy"))?;
        for photo in photos_of(&copied)? {
            if self.photo_path(&photo.file).is_ok_and(|p| p.is_file()) {
                let bytes = u64::try_from(photo.bytes).unwrap_or(0);
                files.push(Packed { name: photo.file, bytes, sha256: photo.sha256 });
            } else {
                lost.push(photo.file);
            }
        }
        for clip in clips_of(&copied)? {
            if self.clip_path(&clip).is_ok_and(|p| p.is_file()) {
                files.push(Packed {
                    name: clip.file,
                    bytes: u64::try_from(clip.bytes).unwrap_or(0),
                    sha256: clip.sha256,
                });
            } else {
                lost.push(clip.file);
            }
        }
        let manifest = Manifest { schema: PACK_SCHEMA.to_owned(), form: SCHEMA, files, lost };
        let text = serde_json::to_vec_pretty(&manifest).unwrap_or_default();
        let mut to = BufWriter::new(File::create(part).map_err(file("write the pack", part))?);
        let writing = |r: std::io::Result<()>| r.map_err(file("write the pack", part));
        let size = text.len() as u64;
        let head = tar::header(&Entry { name: MANIFEST.to_owned(), bytes: size });
        writing(
            to.write_all(&head.unwrap_or([0; 512]))
                .and_then(|()| to.write_all(&text))
                .and_then(|()| tar::pad(&mut to, size)),
        )?;
        put(&mut to, &manifest.files[0], &database, part)?;
        // Its bytes are in the pack now.
        let _ = std::fs::remove_file(&database);
        Ok((manifest, to, 1))
    }

    fn every_clip(&self) -> Result<Vec<ClipRow>, BookError> {
        clips_of(&self.conn)
    }
}

fn clips_of(conn: &Connection) -> Result<Vec<ClipRow>, BookError> {
    let doing = db("read the recordings");
    let mut rows = conn.prepare(&format!("{CLIP} ORDER BY c.file")).map_err(&doing)?;
    rows.query_map([], clip_row).and_then(Iterator::collect).map_err(&doing)
}

/// Writes one file of the pack; its bytes must be those that the manifest says.
fn put(to: &mut BufWriter<File>, packed: &Packed, path: &Path, part: &Path) -> Result<(), BookError> {
    let head = tar::header(&Entry { name: packed.name.clone(), bytes: packed.bytes })
        .ok_or_else(|| refused(format!("{}: its name or size does not fit into a pack", packed.name)))?;
    let mut from = File::open(path).map_err(file("read the recording", path))?;
    to.write_all(&head).map_err(file("write the pack", part))?;
    let (sum, bytes) = copy(&mut from, to, packed.bytes, path, part)?;
    if sum != packed.sha256 || bytes != packed.bytes {
        return Err(refused(format!(
            "{}: its checksum differs from the book's; run `seatsong book mend`, then pack again",
            path.display()
        )));
    }
    tar::pad(to, bytes).map_err(file("write the pack", part))
}

/// Copies at most so many bytes; checksum and number of what came.
fn copy(
    from: &mut impl Read,
    to: &mut impl std::io::Write,
    most: u64,
    source: &Path,
    target: &Path,
) -> Result<(String, u64), BookError> {
    let mut sum = Sha256::new();
    let mut chunk = vec![0; CHUNK];
    let mut bytes = 0;
    while bytes < most {
        let want = usize::try_from(most - bytes).unwrap_or(CHUNK).min(CHUNK);
        let n = from.read(&mut chunk[..want]).map_err(file("read", source))?;
        if n == 0 {
            break;
        }
        sum.update(&chunk[..n]);
        to.write_all(&chunk[..n]).map_err(file("write", target))?;
        bytes += n as u64;
    }
    Ok((hex(&sum.finalize()), bytes))
}

/// The manifest at the start of a pack, and where its files begin.
fn manifest_of(from: &mut impl Read, shown: &Path) -> Result<(Manifest, u64), BookError> {
    let strange = || refused(format!("{}: is no pack of a book, or its beginning is damaged", shown.display()));
    let entry = tar::next(from).map_err(file("read the pack", shown))?.ok_or_else(strange)?;
    if entry.name != MANIFEST || entry.bytes > MOST_MANIFEST {
        return Err(strange());
    }
    let mut text = Vec::new();
    from.take(entry.bytes).read_to_end(&mut text).map_err(file("read the pack", shown))?;
    let manifest: Manifest = serde_json::from_slice(&text).map_err(|_| strange())?;
    if manifest.schema != PACK_SCHEMA {
        return Err(refused(format!(
            "{}: is a pack of another kind ({}); use the newer program",
            shown.display(),
            manifest.schema
        )));
    }
    std::io::copy(&mut from.take(tar::padding(entry.bytes)), &mut std::io::sink())
        .map_err(file("read the pack", shown))?;
    Ok((manifest, tar::BLOCK + entry.bytes + tar::padding(entry.bytes)))
}

/// What of an interrupted pack is whole: its manifest, the files done, and where they end. `None` to begin anew.
fn resume(part: &Path) -> Result<Option<(Manifest, usize, u64)>, BookError> {
    let mut from = BufReader::new(File::open(part).map_err(file("read the unfinished pack", part))?);
    let Ok((manifest, mut end)) = manifest_of(&mut from, part) else { return Ok(None) };
    let mut done = 0;
    for packed in &manifest.files {
        let Ok(Some(entry)) = tar::next(&mut from) else { break };
        if entry.name != packed.name || entry.bytes != packed.bytes {
            break;
        }
        let (sum, bytes) = copy(&mut from, &mut std::io::sink(), entry.bytes, part, part)?;
        let pad = tar::padding(bytes);
        let padded = std::io::copy(&mut (&mut from).take(pad), &mut std::io::sink())
            .map_err(file("read the unfinished pack", part))?;
        if sum != packed.sha256 || padded != pad {
            break;
        }
        done += 1;
        end += tar::BLOCK + bytes + pad;
    }
    // Without its database the snapshot is gone: begin anew.
    Ok((done > 0).then_some((manifest, done, end)))
}

/// Unpacks a book into a folder, every file checked. An interrupted run is gone on with by the same call.
///
/// # Arguments
/// - `step`: called after each file.
///
/// # Errors
/// [`BookError::Exists`] where a book is, [`BookError::Refused`] for what is no pack, a damaged one, one that is cut short, or one with
/// names that lead out of the book.
pub fn unpack(pack: &Path, dir: &Path, step: &dyn Fn()) -> Result<PackReport, BookError> {
    if dir.join(DATABASE).exists() {
        return Err(BookError::Exists { path: dir.display().to_string() });
    }
    let mut from = BufReader::new(File::open(pack).map_err(file("read the pack", pack))?);
    let (manifest, _) = manifest_of(&mut from, pack)?;
    for folder in [CLIPS, INCOMING, QUARANTINE] {
        let folder = dir.join(folder);
        std::fs::create_dir_all(&folder).map_err(file("make the folder", &folder))?;
    }
    let (mut kept, mut bytes) = (0, 0);
    let waiting = dir.join(format!("{DATABASE}.part"));
    for packed in &manifest.files {
        let damaged = |what: &str| refused(format!("{}: {what} at {}; carry it again", pack.display(), packed.name));
        let entry =
            tar::next(&mut from).map_err(file("read the pack", pack))?.ok_or_else(|| damaged("is cut short"))?;
        if entry.name != packed.name || entry.bytes != packed.bytes {
            return Err(damaged("is damaged"));
        }
        // The database gets its name last: until then the folder is no book.
        let to = if packed.name == DATABASE {
            waiting.clone()
        } else {
            let folder = if packed.name.starts_with(PHOTOS) { PHOTOS } else { CLIPS };
            inside(dir, folder, &packed.name).map_err(|err| refused(format!("{}: {err}", pack.display())))?
        };
        if to.is_file() && sum_of(&to)? == packed.sha256 {
            let skipped = std::io::copy(&mut (&mut from).take(packed.bytes), &mut std::io::sink());
            if skipped.map_err(file("read the pack", pack))? != packed.bytes {
                return Err(damaged("is cut short"));
            }
            kept += 1;
        } else {
            let folder = folder_of(&to);
            std::fs::create_dir_all(&folder).map_err(file("make the folder", &folder))?;
            let mut new = tempfile::Builder::new()
                .suffix(".part")
                .tempfile_in(dir.join(INCOMING))
                .map_err(file("write into", &dir.join(INCOMING)))?;
            let (sum, n) = copy(&mut from, &mut new, packed.bytes, pack, &to)?;
            if n < packed.bytes {
                return Err(damaged("is cut short"));
            }
            if sum != packed.sha256 {
                return Err(damaged("is damaged"));
            }
            new.as_file().sync_all().map_err(file("sync", &to))?;
            new.persist(&to).map_err(|e| file("name the file", &to)(e.error))?;
            sync_dir(&folder)?;
        }
        let pad = tar::padding(packed.bytes);
        std::io::copy(&mut (&mut from).take(pad), &mut std::io::sink()).map_err(file("read the pack", pack))?;
        bytes += packed.bytes;
        step();
    }
    let database = dir.join(DATABASE);
    std::fs::rename(&waiting, &database).map_err(file("name the database", &database))?;
    sync_dir(&dir.join(CLIPS))?;
    sync_dir(dir)?;
    Ok(PackReport { files: manifest.files.len(), kept, bytes, lost: manifest.lost })
}

#[cfg(test)]
mod tests {
    use super::super::pumps::tests::triplex;
    use super::super::{NewClip, NewRound, Stamp};
    use super::*;

    fn with_clips(dir: &Path, n: usize) -> Book {
        let mut book = Book::create(&dir.join("book")).unwrap();
        let pump = book.add_pump(&triplex("MP-1")).unwrap();
        let round = book.start_round(&pump, &NewRound::default()).unwrap();
        let spot = book.spot(&pump, 1, None).unwrap();
        for k in 0..n {
            let path = dir.join(format!("{k}.wav"));
            std::fs::write(&path, format!("recording {k}").repeat(20_000 * (k + 1))).unwrap();
            book.add_clip(&round, &spot, &NewClip { path: &path, taken_at: &Stamp::now(), pulse: None }).unwrap();
        }
        book
    }

    fn contents(book: &Book) -> Vec<(String, Vec<u8>)> {
        book.every_clip()
            .unwrap()
            .into_iter()
            .map(|c| (c.sha256.clone(), std::fs::read(book.clip_path(&c).unwrap()).unwrap()))
            .collect()
    }

    #[test]
    fn a_packed_book_comes_out_as_it_went_in() {
        let dir = tempfile::tempdir().unwrap();
        let book = with_clips(dir.path(), 5);
        let out = dir.path().join("rig.pack");
        let report = book.pack(&out, &|| ()).unwrap();
        assert_eq!((report.files, report.lost.len()), (6, 0));
        assert!(book.pack(&out, &|| ()).is_err(), "it is there already");
        let place = dir.path().join("town");
        unpack(&out, &place, &|| ()).unwrap();
        let again = Book::open(&place).unwrap();
        assert_eq!(again.check(&|| ()).unwrap().faults, []);
        assert_eq!(contents(&again), contents(&book));
        assert_eq!(again.pumps().unwrap(), book.pumps().unwrap());
        assert!(matches!(unpack(&out, &place, &|| ()), Err(BookError::Exists { .. })));
    }

    // An outside reader: the system's own tar.
    #[test]
    fn any_tar_can_open_a_pack() {
        let dir = tempfile::tempdir().unwrap();
        let book = with_clips(dir.path(), 2);
        let out = dir.path().join("rig.pack");
        book.pack(&out, &|| ()).unwrap();
        let list = std::process::Command::new("tar").arg("tf").arg(&out).output().unwrap();
        let text = String::from_utf8(list.stdout).unwrap();
        let names: Vec<&str> = text.lines().collect();
        assert!(list.status.success() && names.len() == 4 && names[..2] == ["manifest.json", "book.db"], "{text}");
    }

    #[test]
    fn packing_cut_short_anywhere_goes_on_and_gives_the_same_recordings() {
        let dir = tempfile::tempdir().unwrap();
        let book = with_clips(dir.path(), 4);
        let whole = dir.path().join("whole.pack");
        book.pack(&whole, &|| ()).unwrap();
        let bytes = std::fs::read(&whole).unwrap();
        for k in 0..12 {
            let out = dir.path().join(format!("{k}.pack"));
            let cut = bytes.len() * k / 12;
            let mut start = bytes[..cut].to_vec();
            if k % 3 == 2 {
                // A torn write: the last bytes never reached the disk.
                let n = start.len();
                start[n - 700..].fill(0);
            }
            std::fs::write(beside(&out, ".part"), start).unwrap();
            let report = book.pack(&out, &|| ()).unwrap();
            let place = dir.path().join(format!("out-{k}"));
            unpack(&out, &place, &|| ()).unwrap();
            assert_eq!(contents(&Book::open(&place).unwrap()), contents(&book), "{k}");
            assert!(k < 10 || report.kept > 2, "{k}: {report:?}");
        }
    }

    #[test]
    fn unpacking_cut_short_is_no_book_and_goes_on() {
        let dir = tempfile::tempdir().unwrap();
        let book = with_clips(dir.path(), 4);
        let out = dir.path().join("rig.pack");
        book.pack(&out, &|| ()).unwrap();
        let bytes = std::fs::read(&out).unwrap();
        let short = dir.path().join("short.pack");
        std::fs::write(&short, &bytes[..bytes.len() * 3 / 4]).unwrap();
        let place = dir.path().join("town");
        let err = unpack(&short, &place, &|| ()).unwrap_err().to_string();
        assert!(err.contains("cut short"), "{err}");
        assert!(matches!(Book::open(&place), Err(BookError::NoBook { .. })));
        let report = unpack(&out, &place, &|| ()).unwrap();
        assert!(report.kept > 1, "{report:?}");
        assert_eq!(Book::open(&place).unwrap().check(&|| ()).unwrap().faults, []);
    }

    #[test]
    fn a_damaged_pack_is_noticed() {
        let dir = tempfile::tempdir().unwrap();
        let book = with_clips(dir.path(), 2);
        let out = dir.path().join("rig.pack");
        book.pack(&out, &|| ()).unwrap();
        let mut bytes = std::fs::read(&out).unwrap();
        let at = bytes.len() - 3000;
        bytes[at] ^= 1;
        std::fs::write(&out, bytes).unwrap();
        let err = unpack(&out, &dir.path().join("town"), &|| ()).unwrap_err().to_string();
        assert!(err.contains("damaged"), "{err}");
        assert!(unpack(&dir.path().join("0.wav"), &dir.path().join("x"), &|| ()).is_err());
    }

    #[test]
    fn a_lost_recording_is_told_and_does_not_hold_up_the_rest() {
        let dir = tempfile::tempdir().unwrap();
        let book = with_clips(dir.path(), 3);
        let clips = book.every_clip().unwrap();
        std::fs::remove_file(book.clip_path(&clips[0]).unwrap()).unwrap();
        let report = book.pack(&dir.path().join("rig.pack"), &|| ()).unwrap();
        assert_eq!((report.files, report.lost.as_slice()), (3, &[clips[0].file.clone()][..]));
    }

    /// A pack as somebody may make one without this program: these files, the first of them the database.
    fn made_up(out: &Path, files: &[(&str, Vec<u8>)]) {
        let sum = |bytes: &[u8]| hex(&Sha256::digest(bytes));
        let packed = |(name, bytes): &(&str, Vec<u8>)| Packed {
            name: (*name).to_owned(),
            bytes: bytes.len() as u64,
            sha256: sum(bytes),
        };
        let files_of = files.iter().map(packed).collect();
        let manifest = Manifest { schema: PACK_SCHEMA.to_owned(), form: SCHEMA, files: files_of, lost: Vec::new() };
        let manifest = (MANIFEST, serde_json::to_vec(&manifest).unwrap());
        let mut to = Vec::new();
        for (name, bytes) in std::iter::once(&manifest).chain(files) {
            let entry = Entry { name: (*name).to_owned(), bytes: bytes.len() as u64 };
            to.extend(tar::header(&entry).unwrap());
            to.extend(bytes);
            tar::pad(&mut to, entry.bytes).unwrap();
        }
        tar::finish(&mut to).unwrap();
        std::fs::write(out, to).unwrap();
    }

    #[test]
    fn a_pack_whose_names_lead_out_of_the_book_writes_nothing_there_and_mending_it_neither() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = with_clips(dir.path(), 1);
        let photo = dir.path().join("a.jpg");
        std::fs::write(&photo, "a photo").unwrap();
        book.add_photo(&photo).unwrap();
        let clip = std::fs::read(dir.path().join("0.wav")).unwrap();
        book.conn.execute_batch("UPDATE clip SET file = '../.bashrc'; UPDATE photo SET file = '../.profile'").unwrap();
        let copy = dir.path().join("copy.db");
        book.conn.execute("VACUUM INTO ?1", [copy.to_string_lossy()]).unwrap();
        let database = std::fs::read(&copy).unwrap();
        let (out, place) = (dir.path().join("rig.pack"), dir.path().join("home/book"));
        let own = [".bashrc", ".profile"].map(|name| dir.path().join("home").join(name));
        std::fs::create_dir(dir.path().join("home")).unwrap();
        own.iter().for_each(|path| std::fs::write(path, "as it was").unwrap());
        let as_it_was = || own.iter().all(|path| std::fs::read_to_string(path).is_ok_and(|text| text == "as it was"));
        for name in
            ["../.bashrc", "clips/../../.bashrc", "/etc/seatsong-test", "photos", "incoming/x.wav", "checks.toml"]
        {
            made_up(&out, &[(DATABASE, database.clone()), (name, clip.clone())]);
            let err = unpack(&out, &place, &|| ()).unwrap_err().to_string();
            assert!(err.contains(&format!("{name:?} is no name")) && err.contains("rig.pack") && as_it_was(), "{err}");
            assert!(Book::open(&place).is_err(), "it is no book");
        }
        // The bytes lie where they may, and only the entries lead out.
        made_up(&out, &[(DATABASE, database), ("clips/x.wav", clip), ("photos/x.jpg", b"a photo".to_vec())]);
        unpack(&out, &place, &|| ()).unwrap();
        let mut book = Book::open(&place).unwrap();
        let mended = book.mend(&|| ()).unwrap();
        assert!(as_it_was() && mended.relinked.is_empty(), "{mended:?}");
        let told: Vec<String> = mended.left.faults.iter().map(ToString::to_string).collect();
        assert!(told.len() == 2 && told[0].contains("../.bashrc") && told[1].contains("../.profile"), "{told:?}");
        assert_eq!(mended.quarantined.len(), 2, "kept: {mended:?}");
    }
}
