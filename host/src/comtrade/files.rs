//! Which files belong together, how large they may be, and the parts of a .cff.

use super::error::{ComtradeError, quoted};
use super::{Encoding, Record, cfg, dat};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Configurations of the most channels that the format can state stay below this.
const CFG_BYTES_MAX: u64 = 64 << 20;
/// Samples: held as 8 bytes each, so a file of 16-bit samples takes four times its size.
const DAT_BYTES_MAX: u64 = 256 << 20;
/// Notes longer than this are no notes.
const HDR_BYTES_MAX: u64 = 1 << 20;
const CFF_HEAD: &str = "--- file type:";

pub fn load(path: &Path) -> Result<Record, ComtradeError> {
    let extension = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    match extension.as_deref() {
        Some("cff") => cff(path, &bytes(path, CFG_BYTES_MAX + DAT_BYTES_MAX)?),
        Some("cfg" | "dat") => {
            let (cfg, dat) = (beside(path, "cfg")?, beside(path, "dat")?);
            let text_bytes = bytes(&cfg, CFG_BYTES_MAX)?;
            let configuration = cfg::read(&cfg, text(&cfg, &text_bytes, 1)?, 1)?;
            let mut record = dat::read(&dat, configuration, &bytes(&dat, DAT_BYTES_MAX)?, 1)?;
            record.notes = match beside(path, "hdr") {
                // Free text for people: what cannot be read of it is no reason to refuse the samples.
                Ok(hdr) => String::from_utf8_lossy(&bytes(&hdr, HDR_BYTES_MAX)?).into_owned(),
                Err(_) => String::new(),
            };
            Ok(record)
        }
        _ => Err(ComtradeError::of(
            path,
            "is no COMTRADE file by its name: .cfg with .dat, or .cff",
        )),
    }
}

/// The file of the same name with this extension, whatever upper and lower case either has.
fn beside(path: &Path, extension: &str) -> Result<PathBuf, ComtradeError> {
    let is = |path: &Path| {
        path.extension()
            .is_some_and(|e| e.eq_ignore_ascii_case(extension))
    };
    if is(path) {
        return Ok(path.to_path_buf());
    }
    for case in [extension.to_owned(), extension.to_ascii_uppercase()] {
        let direct = path.with_extension(case);
        if direct.is_file() {
            return Ok(direct);
        }
    }
    let stem = path.file_stem().unwrap_or_default();
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let mut like: Vec<PathBuf> = std::fs::read_dir(folder)
        .map_err(|why| ComtradeError::of(folder, format!("cannot be listed: {why}")))?
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|other| {
            is(other)
                && other
                    .file_stem()
                    .is_some_and(|other| other.eq_ignore_ascii_case(stem))
        })
        .collect();
    like.sort();
    match like.as_slice() {
        [one] => Ok(one.clone()),
        [] => Err(ComtradeError::of(
            path,
            format!(
                "there is no {}.{extension} beside it: configuration (.cfg) and samples (.dat) are two files, copy both",
                stem.to_string_lossy()
            ),
        )),
        [one, other, ..] => Err(ComtradeError::of(
            path,
            format!(
                "{} and {} may both belong to it: rename one",
                one.display(),
                other.display()
            ),
        )),
    }
}

/// The whole file, when it is a file and no larger than this.
fn bytes(path: &Path, at_most: u64) -> Result<Vec<u8>, ComtradeError> {
    let error = |what: String| ComtradeError::of(path, what);
    let file = File::open(path).map_err(|why| error(format!("cannot be opened: {why}")))?;
    let mut bytes = Vec::new();
    file.take(at_most + 1)
        .read_to_end(&mut bytes)
        .map_err(|why| error(format!("cannot be read: {why}")))?;
    if bytes.len() as u64 > at_most {
        return Err(error(format!(
            "is larger than {} MB: cut the record around what you look for",
            at_most >> 20
        )));
    }
    Ok(bytes)
}

/// Bytes as text, or the line where they are none.
pub fn text<'a>(file: &Path, bytes: &'a [u8], first_line: u64) -> Result<&'a str, ComtradeError> {
    std::str::from_utf8(bytes).map_err(|why| {
        let before = &bytes[..why.valid_up_to()];
        let line = first_line + before.split(|b| *b == b'\n').skip(1).count() as u64;
        ComtradeError {
            line: Some(line),
            ..ComtradeError::of(
                file,
                "is not UTF-8 text: convert it (from Latin-1, say), or write names and units without special letters",
            )
        }
    })
}

/// A part of a .cff: its type as the header says it, the byte count that the header states, where it begins.
struct Part<'a> {
    kind: String,
    stated: Option<u64>,
    bytes: &'a [u8],
    first_line: u64,
}

impl Part<'_> {
    fn is_binary(&self) -> bool {
        self.kind.starts_with("DAT") && self.kind != "DAT ASCII"
    }
}

pub fn cff(path: &Path, bytes: &[u8]) -> Result<Record, ComtradeError> {
    let parts = parts(path, bytes)?;
    let of = |kind: &str| parts.iter().find(|part| part.kind == kind);
    let missing = |kind: &str| {
        ComtradeError::of(
            path,
            format!(
                "has no part '{CFF_HEAD} {kind} ---': it is cut short or no COMTRADE file; get the whole file"
            ),
        )
    };
    let cfg = of("CFG").ok_or_else(|| missing("CFG"))?;
    let configuration = cfg::read(path, text(path, cfg.bytes, cfg.first_line)?, cfg.first_line)?;
    let dat = parts
        .iter()
        .find(|part| part.kind.starts_with("DAT"))
        .ok_or_else(|| missing("DAT"))?;
    let is_text = configuration.record.encoding == Encoding::Ascii;
    if is_text != (dat.kind == "DAT ASCII") {
        return Err(ComtradeError {
            line: Some(dat.first_line - 1),
            ..ComtradeError::of(
                path,
                format!(
                    "the samples' header says {}, the configuration {}: correct one of them",
                    quoted(&dat.kind),
                    configuration.record.encoding.word()
                ),
            )
        });
    }
    let mut record = dat::read(path, configuration, dat.bytes, dat.first_line)?;
    if let Some(hdr) = of("HDR") {
        String::from_utf8_lossy(hdr.bytes)
            .trim()
            .clone_into(&mut record.notes);
    }
    Ok(record)
}

/// Cuts at the header lines. Binary samples are as long as their header says: they may contain anything.
fn parts<'a>(path: &Path, bytes: &'a [u8]) -> Result<Vec<Part<'a>>, ComtradeError> {
    let mut parts: Vec<Part> = Vec::new();
    let mut rest = bytes;
    let mut line = 0;
    while !rest.is_empty() {
        let end = rest
            .iter()
            .position(|b| *b == b'\n')
            .map_or(rest.len(), |at| at + 1);
        let (this, behind) = rest.split_at(end);
        line += 1;
        let Some((kind, stated)) = header(this) else {
            match parts.last_mut() {
                // Behind binary samples only the line end that some writers put there.
                Some(part) if part.is_binary() => {}
                // One part's lines lie one behind the other.
                Some(part) => {
                    let from = bytes.len() - rest.len() - part.bytes.len();
                    part.bytes = &bytes[from..bytes.len() - behind.len()];
                }
                None if this.trim_ascii().is_empty() => {}
                None => {
                    return Err(ComtradeError {
                        line: Some(line),
                        ..ComtradeError::of(
                            path,
                            format!(
                                "does not begin with '{CFF_HEAD} CFG ---': no COMTRADE file in one piece (.cff)"
                            ),
                        )
                    });
                }
            }
            rest = behind;
            continue;
        };
        let mut part = Part {
            kind,
            stated,
            bytes: &behind[..0],
            first_line: line + 1,
        };
        rest = behind;
        if part.is_binary() {
            let there = behind.len() as u64;
            // Without a count the samples go on to the end.
            let length = part.stated.unwrap_or(there);
            if length > there {
                return Err(ComtradeError {
                    line: Some(line),
                    ..ComtradeError::of(
                        path,
                        format!(
                            "the header promises {length} bytes of samples and {there} follow: it is cut short; get the whole file"
                        ),
                    )
                });
            }
            (part.bytes, rest) = behind.split_at(length as usize);
        }
        parts.push(part);
    }
    Ok(parts)
}

/// `--- file type: DAT BINARY: 56 ---` → ("DAT BINARY", 56).
fn header(line: &[u8]) -> Option<(String, Option<u64>)> {
    let line = std::str::from_utf8(line).ok()?.trim();
    let line = line.strip_prefix('\u{feff}').unwrap_or(line);
    let head = line.get(..CFF_HEAD.len())?;
    if !head.eq_ignore_ascii_case(CFF_HEAD) {
        return None;
    }
    let inside = line[CFF_HEAD.len()..].strip_suffix("---")?.trim();
    let (kind, stated) = match inside.split_once(':') {
        Some((kind, count)) => (kind, Some(count.trim().parse().ok()?)),
        None => (inside, None),
    };
    let words: Vec<String> = kind
        .split_whitespace()
        .map(str::to_ascii_uppercase)
        .collect();
    Some((words.join(" "), stated))
}
