//! What single vendors do their own way: each private element with its creator, and without it.

use super::files::{Mr, codes, read_images};
use siderolog::intake::{Found, Intake};

/// Two slices of three echoes, each changed by its echo.
fn series(change: impl Fn(Mr, usize) -> Mr) -> Intake {
    read_images(&Mr::series(2, 3).into_iter().enumerate().map(|(i, m)| change(m, i % 3)).collect::<Vec<_>>())
}

fn creator(image: Mr, group: u32, block: u32, name: &str) -> Mr {
    image.text(group << 16 | block, b"LO", name)
}

fn scaling(intake: &Intake) -> &str {
    match &intake.found[0] {
        Found::Acquisition(a) => a.scaling(),
        Found::Unreadable(u) => panic!("{:?}", u.findings),
    }
}

fn single(value: f32) -> Vec<u8> {
    value.to_le_bytes().to_vec()
}

#[test]
fn philips_scale_slope_undoes_the_display_scale_wherever_its_block_is() {
    let display = |m: Mr, echo: usize| {
        let slope = [2.0, 3.5, 5.0][echo];
        m.text(0x0008_0070, b"LO", "Philips").text(0x0028_1052, b"DS", "0").text(
            0x0028_1053,
            b"DS",
            &format!("{slope}"),
        )
    };
    for block in [0x10, 0x42] {
        let intake = series(|m, echo| {
            let m = creator(display(m, echo), 0x2005, block, "Philips MR Imaging DD 001");
            m.bytes(0x2005_000E | block << 8, b"FL", single(0.5))
        });
        assert_eq!(scaling(&intake), "private scale slope");
        let Found::Acquisition(a) = &intake.found[0] else { panic!("read") };
        // Stored 818 at the first voxel of the first echo, over a scale slope of 0.5.
        assert_eq!(a.magnitude()[[0, 0]], 818.0 / 0.5);
    }
    // Without its creator the element does not exist, and display scales that differ are not the signal's.
    let bare = series(|m, echo| display(m, echo).bytes(0x2005_100E, b"FL", single(0.5)));
    assert_eq!(codes(&bare.found[0]), ["scaling-unknown"]);
}

#[test]
fn philips_and_ge_say_how_many_echoes_they_made() {
    let philips = series(|m, _| {
        creator(m, 0x2001, 0x10, "Philips Imaging DD 001").bytes(0x2001_1014, b"SL", 5i32.to_le_bytes().to_vec())
    });
    assert_eq!(codes(&philips.found[0]), ["echoes-missing"]);
    let ge = series(|m, _| creator(m, 0x0019, 0x10, "GEMS_ACQU_01").bytes(0x0019_107E, b"SS", vec![3, 0]));
    assert_eq!(codes(&ge.found[0]), [] as [&str; 0]);
}

#[test]
fn ge_tells_components_apart_by_a_private_element_alone() {
    let images: Vec<Mr> = Mr::series(2, 3)
        .into_iter()
        .enumerate()
        .flat_map(|(i, m)| {
            let m = creator(m.text(0x0008_0008, b"CS", "ORIGINAL\\PRIMARY\\OTHER"), 0x0043, 0x10, "GEMS_PARM_01");
            [0i16, 2, 3].map(|component| {
                m.clone().bytes(0x0043_102F, b"SS", component.to_le_bytes().to_vec()).text(
                    0x0008_0018,
                    b"UI",
                    &format!("1.9.{i}.{component}"),
                )
            })
        })
        .collect();
    let intake = read_images(&images);
    let [Found::Acquisition(a)] = intake.found.as_slice() else { panic!("{:?}", intake.found) };
    assert_eq!(a.magnitude().nrows(), 3);
    assert!(a.complex().is_some());
}

#[test]
fn siemens_xa_says_in_a_private_element_that_it_normalised() {
    let plain =
        |m: Mr| m.text(0x0008_0070, b"LO", "Siemens Healthineers").text(0x0008_0008, b"CS", "ORIGINAL\\PRIMARY\\M");
    let private = |m: Mr, words: &str| creator(m, 0x0021, 0x11, "SIEMENS MR SDI 02").text(0x0021_1175, b"CS", words);
    let normalised =
        |words: &'static str| series(|m, _| private(plain(m), words)).found[0].header().intensity_normalised;
    assert_eq!(normalised("ORIGINAL\\PRIMARY\\M\\NORM\\DIS2D"), Some(true));
    assert_eq!(normalised("ORIGINAL\\PRIMARY\\M\\DIS2D"), Some(false));
}

/// A factor that is the same everywhere bends no decay; one that differs between echoes may.
#[test]
fn factors_of_unpublished_meaning_are_refused_where_they_differ() {
    type Element = (u32, u32, &'static str, u32, &'static [u8; 2]);
    let elements: [Element; 5] = [
        (0x0065, 0x10, "Image Private Header", 0x0065_102F, b"FL"),
        (0x700D, 0x10, "CANON_MEC_MR3", 0x700D_1000, b"DS"),
        (0x700D, 0x12, "TOSHIBA_MEC_MR3", 0x700D_1200, b"DS"),
        (0x0019, 0x10, "SIEMENS MR VA0  COAD", 0x0019_1060, b"DS"),
        (0x0043, 0x10, "GEMS_PARM_01", 0x0043_1017, b"DS"),
    ];
    for (group, block, name, tag, vr) in elements {
        let with = |factors: [f32; 3], name: &str| {
            series(|m, echo| {
                let value = factors[echo];
                let m = creator(m, group, block, name);
                if vr == b"FL" { m.bytes(tag, vr, single(value)) } else { m.text(tag, vr, &format!("{value}")) }
            })
        };
        assert_eq!(codes(&with([2.0, 3.0, 4.0], name).found[0]), ["scaling-unknown"], "{name}");
        assert_eq!(scaling(&with([2.0; 3], name)), "stored", "{name}");
        assert_eq!(scaling(&with([2.0, 3.0, 4.0], "SOMEBODY ELSE")), "stored", "{name}");
    }
}
