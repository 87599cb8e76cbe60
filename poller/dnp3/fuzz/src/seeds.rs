//! The first inputs of each target, made from the vectors in the crate's own tests, so that they follow those.
//!
//! Vectors are texts of hexadecimal digits. Of the tests of the sessions whole stories are taken: what is heard, stored and changed, and how
//! much time passes, in the order in which a test says it. A story is a beginning, no more: it need not come out as in the test.

use std::collections::BTreeSet;
use std::path::Path;
use std::{env, fs, process};

/// Names the folder that first inputs are to be written to.
const FOLDER: &str = "FUZZ_SEEDS_INTO";

/// Writes a target's first inputs and ends the program, if that is what it was started for.
pub fn write_when_asked(target: &str) {
    let Some(folder) = env::var_os(FOLDER) else { return };
    let tests = tests_under(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../src"));
    let seeds = seeds(target, &tests);
    assert!(seeds.len() > 5, "the tests of the crate have vectors for {target}");
    fs::create_dir_all(&folder).expect("the folder can be made");
    for (number, seed) in seeds.iter().enumerate() {
        let path = Path::new(&folder).join(format!("seed-{number:03}"));
        fs::write(path, seed).expect("a seed can be written");
    }
    process::exit(0);
}

/// One test: the path of its file, and its text.
type Test = (String, String);

fn tests_under(folder: &Path) -> Vec<Test> {
    let mut tests = vec![];
    let mut entries: Vec<_> = fs::read_dir(folder).expect("the crate's source").flatten().collect();
    entries.sort_by_key(fs::DirEntry::path);
    for path in entries.iter().map(fs::DirEntry::path) {
        if path.is_dir() {
            tests.extend(tests_under(&path));
        } else if let Ok(text) = fs::read_to_string(&path) {
            let path = path.to_string_lossy().into_owned();
            tests.extend(text.split("#[test]").skip(1).map(|test| (path.clone(), test.to_owned())));
            // vectors that several tests share stand before the first
            tests.extend(text.split("#[test]").next().map(|head| (path.clone(), head.to_owned())));
        }
    }
    tests
}

fn seeds(target: &str, tests: &[Test]) -> BTreeSet<Vec<u8>> {
    let vectors: BTreeSet<Vec<u8>> = tests.iter().flat_map(|(_, test)| vectors(test)).collect();
    let is_frame = |vector: &&Vec<u8>| vector.starts_with(&[0x05, 0x64]);
    let stories = |folder: &str, story: fn(&Test) -> Vec<u8>| {
        tests.iter().filter(|(path, _)| path.contains(folder)).map(story).filter(|s| s.len() > 4).collect()
    };
    match target {
        "link" => {
            let frames: Vec<_> = vectors.iter().filter(is_frame).collect();
            let all = frames.iter().flat_map(|frame| frame.iter()).copied().collect();
            frames
                .iter()
                .map(|frame| (*frame).clone())
                .chain([all])
                .map(|f| [&[1, 7], &f[..]].concat())
                .collect()
        }
        "transport" => vectors.iter().map(|vector| segments(vector)).collect(),
        "application" => {
            let as_objects = vectors.iter().map(|vector| [&[0xC0, 0x81, 0, 0], &vector[..]].concat());
            vectors.iter().cloned().chain(as_objects).collect()
        }
        "master" => stories("/master/", masters_story),
        "outstation" => stories("/outstation/", outstations_story),
        other => panic!("there is no target {other}"),
    }
}

/// Every text of a test that is nothing but hexadecimal digits.
fn vectors(test: &str) -> Vec<Vec<u8>> {
    test.split('"').skip(1).step_by(2).filter_map(hex).collect()
}

fn hex(text: &str) -> Option<Vec<u8>> {
    let pairs: Option<Vec<u8>> = text
        .split_ascii_whitespace()
        .map(|pair| (pair.len() == 2).then(|| u8::from_str_radix(pair, 16).ok()).flatten())
        .collect();
    pairs.filter(|bytes| bytes.len() > 1)
}

/// A fragment in three segments, for the transport function.
fn segments(fragment: &[u8]) -> Vec<u8> {
    let mut script = vec![0];
    let third = fragment.len().div_ceil(3).min(200);
    let last = fragment.chunks(third).count() - 1;
    for (number, data) in fragment.chunks(third).enumerate() {
        let flags = if number == 0 { 0x40 } else { 0 } | if number == last { 0x80 } else { 0 };
        script.push(byte(data.len() + 1));
        script.push(flags | byte(number % 64));
        script.extend_from_slice(data);
    }
    script
}

/// What a test does, in order: the names of its calls, each with what is between its brackets.
fn calls<'a>(test: &'a str, names: &'a [&'a str]) -> impl Iterator<Item = (&'a str, &'a str)> {
    let mut rest = test;
    std::iter::from_fn(move || {
        let found = names.iter().filter_map(|name| rest.find(*name).map(|at| (at, *name)));
        let (at, name) = found.min_by_key(|(at, name)| (*at, usize::MAX - name.len()))?;
        let inside = &rest[at + name.len()..];
        let inside = &inside[..inside.find(')').unwrap_or(inside.len())];
        rest = &rest[at + name.len()..];
        Some((name, inside))
    })
}

/// A story for [`crate::master`].
fn masters_story((_, test): &Test) -> Vec<u8> {
    let who = if test.contains("c.unsolicited") { 0x1C } else { 0 };
    let time = if test.contains("NonLan") { 2 } else { u8::from(test.contains("Lan")) };
    let clock = if test.contains("clock_period") { 0x08 } else { 0 };
    let keep_alive = if test.contains("keep_alive") { 0x10 } else { 0 };
    let storing = if test.contains("store_later") { 0 } else { 0xFF };
    let mut script = vec![who, time | clock | keep_alive, storing];
    if test.contains("begun(") {
        script.extend_from_slice(&[1, 3, 0xC0, 0, 0, 1, 3, 0xC0, 0, 0]);
    }
    let mut first = 0;
    for (name, inside) in calls(test, &[".hears(", ".wait(", ".stored(", ".disconnected("]) {
        match name {
            ".hears(" => {
                let Some(fragment) = hex(inside.trim_matches('"')) else { continue };
                match fragment[..] {
                    [control, 129, ref rest @ ..] => {
                        if control & 0x80 != 0 {
                            first = control & 0x0F;
                        }
                        let later = control.wrapping_sub(first) & 0x0F;
                        script.extend_from_slice(&[1, byte(rest.len() + 1), control & 0xF0 | later]);
                        script.extend_from_slice(rest);
                    }
                    [control, 130, ref rest @ ..] => {
                        script.extend_from_slice(&[2, byte(rest.len() + 1), control]);
                        script.extend_from_slice(rest);
                    }
                    _ => {}
                }
            }
            ".wait(" => script.extend_from_slice(&[6, 2, byte(number(inside)), 0]),
            ".stored(" => script.extend_from_slice(&[if inside.contains("true") { 8 } else { 9 }, 0]),
            _ => script.push(10),
        }
    }
    script
}

/// A story for [`crate::outstation`].
fn outstations_story((path, test): &Test) -> Vec<u8> {
    let reports = path.contains("unsolicited") || test.contains("unsolicited");
    let mut script = vec![if reports { 0x0E } else { 0 }, 0xF0];
    let names = [".hears(", ".hears_with_everybody(", ".after(", ".binary(", ".analog(", ".restart("];
    for (name, inside) in calls(test, &names) {
        match name {
            ".hears(" | ".hears_with_everybody(" => {
                let text = inside.split('"').nth(1).unwrap_or_default();
                let Some(fragment) = hex(text) else { continue };
                match name {
                    ".hears(" => script.push(1),
                    _ => script.extend_from_slice(&[4, u8::from(inside.contains("true"))]),
                }
                script.push(byte(fragment.len()));
                script.extend_from_slice(&fragment);
            }
            ".after(" => {
                let [low, high, ..] = u32::try_from(number(inside)).unwrap_or(u32::MAX).to_le_bytes();
                script.extend_from_slice(&[6, 0, low, high]);
            }
            ".binary(" => script.extend_from_slice(&[8, 0, 1, 1, u8::from(inside.contains("true"))]),
            ".analog(" => {
                script.extend_from_slice(&[8, 5, 1, 8]);
                let value: f64 = inside.split(',').nth(1).and_then(|n| n.trim().parse().ok()).unwrap_or(1.0);
                script.extend_from_slice(&value.to_le_bytes());
            }
            _ => script.push(9),
        }
    }
    script
}

/// The first number in a text, as programs write it.
fn number(text: &str) -> usize {
    let digits = text.trim().chars().take_while(|c| c.is_ascii_digit() || *c == '_');
    digits.filter(|c| *c != '_').collect::<String>().parse().unwrap_or(1)
}

fn byte(number: usize) -> u8 {
    u8::try_from(number).unwrap_or(u8::MAX)
}
