//! Mutations of files that are mostly text: TOML, CSV, the text parts of COMTRADE. Bytes that are no text stay as they are.
//!
//! libFuzzer's own mutations change letters, and nearly all of what comes out is refused by the first parser. These change what
//! such a file is made of: a number becomes another number, a line or a section goes, comes twice, or comes from another file.

/// Numbers that lie at an edge of something, or are none.
const NUMBERS: [&str; 34] = [
    "0",
    "1",
    "-1",
    "2",
    "3",
    "16",
    "0.0",
    "-0.0",
    "0.5",
    "1.0",
    "-1.0",
    "1e-300",
    "1e-30",
    "1e-9",
    "1e-3",
    "1e3",
    "1e9",
    "1e30",
    "1e300",
    "-1e300",
    "nan",
    "inf",
    "-inf",
    "255",
    "256",
    "65535",
    "65536",
    "99999",
    "2147483647",
    "4294967295",
    "9223372036854775807",
    "-9223372036854775808",
    "18446744073709551615",
    "1e16",
];

/// Files to take lines from, and what divides one into sections.
#[derive(Clone, Copy)]
pub struct Pool {
    /// Whole files.
    pub files: &'static [&'static str],
}

/// A row of random numbers (splitmix, 64 bit): the same from the same start.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Below `end`; 0 when that is 0.
    fn below(&mut self, end: usize) -> usize {
        if end == 0 {
            0
        } else {
            (self.roll() % end as u64) as usize
        }
    }

    fn one<'a, T: ?Sized>(&mut self, of: &[&'a T]) -> Option<&'a T> {
        of.get(self.below(of.len())).copied()
    }
}

/// Changes the `size` bytes at the front of `data`, which has room for `max_size`; gives the new size.
///
/// To be called by `fuzz_mutator!`: one time in four it leaves the work to libFuzzer.
pub fn mutate(pool: Pool, data: &mut [u8], size: usize, max_size: usize, seed: u32) -> usize {
    let mut dice = Dice(u64::from(seed));
    if dice.below(4) == 0 {
        return libfuzzer_sys::fuzzer_mutate(data, size, max_size);
    }
    let mut bytes = data[..size].to_vec();
    for _ in 0..=dice.below(3) {
        bytes = changed(pool, &bytes, &mut dice);
    }
    let len = bytes.len().min(max_size).min(data.len());
    data[..len].copy_from_slice(&bytes[..len]);
    len
}

fn changed(pool: Pool, bytes: &[u8], dice: &mut Dice) -> Vec<u8> {
    match dice.below(10) {
        0..=4 => other_number(bytes, dice),
        5 => other_string(pool, bytes, dice),
        6 => lines_changed(bytes, dice),
        7 => section_twice_or_gone(bytes, dice),
        _ => line_or_section_from_pool(pool, bytes, dice),
    }
}

/// Places of everything that looks like a number.
fn numbers(bytes: &[u8]) -> Vec<(usize, usize)> {
    let part = |b: u8| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b'+' | b'_' | b'e' | b'E');
    let mut found = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let starts = bytes[at].is_ascii_digit()
            || (bytes[at] == b'-' && bytes.get(at + 1).is_some_and(u8::is_ascii_digit));
        let inside_a_word =
            at > 0 && (bytes[at - 1].is_ascii_alphanumeric() || bytes[at - 1] == b'_');
        if starts && !inside_a_word {
            let end = bytes[at..]
                .iter()
                .position(|b| !part(*b))
                .map_or(bytes.len(), |n| at + n);
            found.push((at, end));
            at = end;
        } else {
            at += 1;
        }
    }
    found
}

fn other_number(bytes: &[u8], dice: &mut Dice) -> Vec<u8> {
    let found = numbers(bytes);
    let Some(&(from, to)) = found.get(dice.below(found.len())) else {
        return bytes.to_vec();
    };
    let old = String::from_utf8_lossy(&bytes[from..to]).replace('_', "");
    let new = match (dice.below(3), old.parse::<i64>(), old.parse::<f64>()) {
        // Near to what it was, so that most of a file stays acceptable.
        (0, Ok(n), _) => [
            n.wrapping_add(1),
            n.wrapping_sub(1),
            n.wrapping_mul(2),
            n / 2,
            n.wrapping_mul(10),
            -n.max(i64::MIN + 1),
        ][dice.below(6)]
        .to_string(),
        (0, Err(_), Ok(x)) => format!(
            "{:?}",
            [x * 2.0, x / 2.0, x * 10.0, x / 10.0, -x, x * 1.001][dice.below(6)]
        ),
        (1, _, _) => {
            let (from, to) = found[dice.below(found.len())];
            String::from_utf8_lossy(&bytes[from..to]).into_owned()
        }
        _ => NUMBERS[dice.below(NUMBERS.len())].to_owned(),
    };
    [&bytes[..from], new.as_bytes(), &bytes[to..]].concat()
}

/// Places between two quotation marks on one line.
fn strings(bytes: &[u8]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut open = None;
    for (at, byte) in bytes.iter().enumerate() {
        match (byte, open) {
            (b'\n', _) => open = None,
            (b'"', None) => open = Some(at + 1),
            (b'"', Some(from)) => {
                found.push((from, at));
                open = None;
            }
            _ => {}
        }
    }
    found
}

fn other_string(pool: Pool, bytes: &[u8], dice: &mut Dice) -> Vec<u8> {
    let found = strings(bytes);
    let Some(&(from, to)) = found.get(dice.below(found.len())) else {
        return bytes.to_vec();
    };
    let file = dice.one(pool.files).unwrap_or_default().as_bytes();
    let others = strings(file);
    let new = match others.get(dice.below(others.len() + 1)) {
        Some(&(from, to)) => &file[from..to],
        None => b"",
    };
    [&bytes[..from], new, &bytes[to..]].concat()
}

fn lines(bytes: &[u8]) -> Vec<&[u8]> {
    bytes.split_inclusive(|b| *b == b'\n').collect()
}

fn lines_changed(bytes: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut all = lines(bytes);
    if all.is_empty() {
        return Vec::new();
    }
    let (one, other) = (dice.below(all.len()), dice.below(all.len()));
    match dice.below(4) {
        0 => {
            all.remove(one);
        }
        1 => all.insert(other, all[one]),
        2 => all.swap(one, other),
        _ => all.truncate(one + 1),
    }
    all.concat()
}

/// Lines up to the next that begins with a bracket: what TOML calls a table.
fn sections(bytes: &[u8]) -> Vec<Vec<u8>> {
    let mut found: Vec<Vec<u8>> = vec![Vec::new()];
    for line in lines(bytes) {
        if line.starts_with(b"[") {
            found.push(Vec::new());
        }
        if let Some(last) = found.last_mut() {
            last.extend(line);
        }
    }
    found
}

fn section_twice_or_gone(bytes: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut all = sections(bytes);
    let at = dice.below(all.len());
    if dice.below(2) == 0 {
        all.remove(at);
    } else {
        let same = all[at].clone();
        all.insert(at, same);
    }
    all.concat()
}

fn line_or_section_from_pool(pool: Pool, bytes: &[u8], dice: &mut Dice) -> Vec<u8> {
    let Some(file) = dice.one(pool.files) else {
        return bytes.to_vec();
    };
    if dice.below(2) == 0 {
        let new = lines(file.as_bytes());
        let mut all = lines(bytes);
        all.insert(dice.below(all.len() + 1), new[dice.below(new.len())]);
        return all.concat();
    }
    let mut new = sections(file.as_bytes());
    let new = new.swap_remove(dice.below(new.len()));
    let mut all = sections(bytes);
    let at = dice.below(all.len());
    // In the place of the one with the same head, or behind another.
    let head = |section: &[u8]| lines(section).first().map(|line| line.to_vec());
    match all.iter().position(|section| head(section) == head(&new)) {
        Some(same) if dice.below(3) > 0 => all[same] = new,
        _ => all.insert(at + 1, new),
    }
    all.concat()
}
