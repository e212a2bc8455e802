//! The same images written as classic files and as one enhanced object must read to the same frames. The bytes
//! choose the number of slices and echoes, the scale of each image, the order of frames and the pixels.
#![no_main]
#![allow(dead_code)]

#[path = "../../intake/files.rs"]
mod files;

use files::{Mr, enhanced, folder, intake};
use siderolog::intake::Found;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let byte = |i: usize| bytes.get(i % bytes.len().max(1)).copied().unwrap_or(0);
    let (slices, echoes) = (usize::from(byte(0) % 4) + 1, usize::from(byte(1) % 6) + 2);
    let mut images: Vec<Mr> = Mr::series(slices, echoes);
    for (i, image) in images.iter_mut().enumerate() {
        let slope = format!("{}.{}", byte(i + 2) % 7 + 1, byte(i + 3) % 10);
        let values: Vec<u16> = (0..48).map(|k| u16::from(byte(i * 48 + k)) * 16 + k as u16).collect();
        *image = image.clone().text(0x0028_1053, b"DS", &slope).text(0x0028_1052, b"DS", "0").pixels(&values);
    }
    let read = |images: &[Mr]| {
        let dir = folder(images);
        intake(&[dir.path().to_path_buf()]).found
    };
    let classic = read(&images);
    let turn = usize::from(byte(2)) % images.len();
    images.rotate_left(turn);
    let enhanced = read(&[enhanced(&images)]);
    assert_eq!(classic.len(), enhanced.len());
    for pair in classic.iter().zip(&enhanced) {
        match pair {
            (Found::Acquisition(a), Found::Acquisition(b)) => {
                assert_eq!(a.magnitude(), b.magnitude());
                assert_eq!((a.grid(), a.echo_times(), a.flaws()), (b.grid(), b.echo_times(), b.flaws()));
            }
            (Found::Unreadable(_), Found::Unreadable(_)) => {}
            _ => panic!("one is readable, the other not"),
        }
    }
});
