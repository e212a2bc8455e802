//! The house rules that a compiler does not hold: arrows one way, a pure middle, one maker for each state,
//! every room on the map.

use std::fs;
use std::path::{Path, PathBuf};

/// The rooms in order of flow: a room imports only from those before it.
const ROOMS: [&str; 13] = [
    "study", "phantom", "intake", "protocol", "fit", "roi", "quality", "reading", "report", "sending", "review",
    "daemon", "commands",
];

/// Arrows that the order allows but the design forbids: a mistake in one must not sit on both sides of a
/// test, and the pure middle must not reach back to the edge that does I/O.
const FORBIDDEN: [(&str, &str); 12] = [
    ("intake", "phantom"),
    ("protocol", "phantom"),
    ("protocol", "intake"),
    ("fit", "phantom"),
    ("fit", "intake"),
    ("roi", "phantom"),
    ("roi", "intake"),
    ("quality", "phantom"),
    ("quality", "intake"),
    ("reading", "phantom"),
    ("reading", "intake"),
    ("report", "phantom"),
];

/// Rooms without file, network, clock, environment, process or logger.
const PURE: [&str; 6] = ["study", "protocol", "fit", "roi", "quality", "reading"];

/// What a pure room must not name.
const IMPURE: [&str; 15] = [
    "std::fs",
    "std::net",
    "std::env",
    "std::process",
    "std::time",
    "std::thread::sleep",
    "SystemTime",
    "Instant::",
    "Zoned::now",
    "Timestamp::now",
    "tracing::",
    "tokio::",
    "println!",
    "eprintln!",
    "rusqlite::",
];

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(dir: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut waiting = vec![dir.to_path_buf()];
    while let Some(dir) = waiting.pop() {
        for entry in fs::read_dir(&dir).unwrap_or_else(|e| panic!("{}: {e}", dir.display())) {
            let path = entry.unwrap().path();
            if path.is_dir() {
                waiting.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                found.push(path);
            }
        }
    }
    found.sort();
    assert!(!found.is_empty(), "no Rust file below {}", dir.display());
    found
}

/// The code of a file: comments gone, and what is compiled for tests alone, which may import anything: the module
/// at its end, or the whole file where its parent declares it so.
fn code(path: &Path) -> String {
    let name = path.file_stem().and_then(|s| s.to_str()).unwrap_or_default();
    let parent = path.with_file_name("mod.rs");
    if fs::read_to_string(parent).is_ok_and(|text| text.contains(&format!("#[cfg(test)]\nmod {name};"))) {
        return String::new();
    }
    let text = fs::read_to_string(path).unwrap();
    let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default().to_owned();
    text.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

fn shown(path: &Path) -> String {
    path.strip_prefix(root()).unwrap_or(path).display().to_string()
}

/// The rooms a file names: in `crate::room` and in grouped `use crate::{room::…, room}` imports.
fn imported_rooms(code: &str) -> Vec<&'static str> {
    let grouped: Vec<&str> = code.split("use crate::{").skip(1).filter_map(|rest| rest.split(';').next()).collect();
    ROOMS
        .into_iter()
        .filter(|room| {
            let direct = [format!("crate::{room}::"), format!("crate::{room};"), format!("crate::{room} as ")];
            let in_group = |group: &&str| {
                group
                    .split([',', '{', '}', ' ', '\n'])
                    .any(|word| word == *room || word.starts_with(&format!("{room}::")))
            };
            direct.iter().any(|d| code.contains(d)) || grouped.iter().any(in_group)
        })
        .collect()
}

#[test]
fn arrows_run_one_way() {
    let mut wrong = Vec::new();
    for (place, room) in ROOMS.iter().enumerate() {
        let dir = root().join("pipeline").join(room);
        if !dir.exists() {
            continue;
        }
        for file in rust_files(&dir) {
            for other in imported_rooms(&code(&file)) {
                let later = ROOMS.iter().position(|r| *r == other).is_some_and(|p| p > place);
                if later || FORBIDDEN.contains(&(*room, other)) {
                    wrong.push(format!("{} imports {other}", shown(&file)));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "arrows against the flow:\n{}", wrong.join("\n"));
}

#[test]
fn the_arrow_check_sees_each_way_of_importing() {
    assert_eq!(imported_rooms("use crate::fit::Noise;"), ["fit"]);
    assert_eq!(imported_rooms("use crate::{\n    fit::Noise,\n    study::{Grid, Mask},\n};"), ["study", "fit"]);
    assert_eq!(imported_rooms("let x = crate::daemon::Site::shipped();"), ["daemon"]);
    assert!(imported_rooms("use crate::fitting::X; // crate::roi").is_empty());
}

#[test]
fn the_middle_is_pure() {
    let mut wrong = Vec::new();
    for room in PURE {
        for file in rust_files(&root().join("pipeline").join(room)) {
            let code = code(&file);
            wrong.extend(
                IMPURE.iter().filter(|word| code.contains(*word)).map(|word| format!("{}: {word}", shown(&file))),
            );
        }
    }
    assert!(wrong.is_empty(), "the pure rooms touch the outside:\n{}", wrong.join("\n"));
}

#[test]
fn each_state_has_one_maker() {
    // The constructors of the shared states, and the only room that may call each.
    let makers = [("Acquisition::assemble(", "intake"), ("Mask::on(", "roi")];
    let mut wrong = Vec::new();
    for file in rust_files(&root().join("pipeline")) {
        let code = code(&file);
        for (call, room) in makers {
            let allowed = file.starts_with(root().join("pipeline").join(room));
            if code.contains(call) && !allowed {
                wrong.push(format!("{} calls {call}…)", shown(&file)));
            }
        }
    }
    assert!(wrong.is_empty(), "states made outside their stage:\n{}", wrong.join("\n"));
}

#[test]
fn every_room_is_on_the_map() {
    let map = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    for dir in ["pipeline", "."] {
        for entry in fs::read_dir(root().join(dir)).unwrap() {
            let entry = entry.unwrap();
            let name = entry.file_name().into_string().unwrap();
            if !entry.path().is_dir() || ["target", ".git"].contains(&name.as_str()) {
                continue;
            }
            assert!(map.contains(&format!("`{name}/`")), "DEVELOPERS.md does not name the room {dir}/{name}");
        }
    }
    let library = fs::read_to_string(root().join("pipeline/lib.rs")).unwrap();
    for room in ROOMS.into_iter().filter(|room| root().join("pipeline").join(room).exists()) {
        assert!(library.contains(&format!("pub mod {room};")), "pipeline/lib.rs does not name {room}");
    }
}

#[test]
fn numbers_stay_reproducible_and_code_stays_safe() {
    let mut unsafe_files = Vec::new();
    for file in rust_files(&root().join("pipeline")) {
        let code = code(&file);
        assert!(!code.contains("mul_add"), "{}: mul_add gives other bits on other CPUs", shown(&file));
        if code.contains("unsafe_code") {
            unsafe_files.push(shown(&file));
        }
    }
    assert!(unsafe_files.len() <= 1, "unsafe is for the CPU dispatch alone: {unsafe_files:?}");
    assert!(unsafe_files.iter().all(|f| f.starts_with("pipeline/fit/")), "{unsafe_files:?}");
}

#[test]
fn files_stay_readable() {
    let long: Vec<String> = rust_files(&root().join("pipeline"))
        .into_iter()
        .filter_map(|file| {
            let lines = fs::read_to_string(&file).unwrap().lines().count();
            (lines > 600).then(|| format!("{} has {lines} lines", shown(&file)))
        })
        .collect();
    assert!(long.is_empty(), "past 600 lines a file wants splitting:\n{}", long.join("\n"));
}
