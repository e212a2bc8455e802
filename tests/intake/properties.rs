//! What must hold for any bytes. The fuzz targets in `tests/fuzz` and the short runs in `hostile.rs` share it.

use super::files::{Mr, enhanced, folder, intake};
use siderolog::intake::{Found, Limits, probe::probe};

/// Any bytes as one file: reading ends in frames or in a reason, never in a panic or in memory by a declared length.
/// Whether every frame could be decoded.
pub fn any_bytes(bytes: &[u8]) -> bool {
    let limits = Limits { image_pixels: 1 << 20, inflated_bytes: 1 << 22, ..Limits::default() };
    match probe(bytes.to_vec(), &limits) {
        Ok(frames) => {
            assert!(frames.iter().flat_map(|f| &f.pixels).flatten().all(|v| v.is_finite()));
            !frames.is_empty() && frames.iter().all(|f| f.pixels.is_ok())
        }
        Err(reason) => {
            assert!(!reason.is_empty() && reason.len() < 1000 && !reason.contains(['\n', '\u{1b}']), "{reason:?}");
            false
        }
    }
}

/// Choices drawn from bytes, over again where they end.
struct Choices<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Choices<'_> {
    fn byte(&mut self) -> u8 {
        let byte = self.bytes.get(self.at % self.bytes.len().max(1)).copied().unwrap_or(0);
        // Another value each time round.
        let turn = (self.at / self.bytes.len().max(1)) as u8;
        self.at += 1;
        byte.wrapping_add(turn.wrapping_mul(37))
    }
    fn below(&mut self, n: u32) -> u32 {
        let word = u32::from_le_bytes(std::array::from_fn(|_| self.byte()));
        word % n
    }
}

/// What is written is read: echo time, place and every stored value, at any number of bits, signed or not, plain or
/// in an enhanced object.
pub fn round_trip(bytes: &[u8]) {
    let mut choices = Choices { bytes, at: 0 };
    let (slices, echoes) = (choices.below(3) as usize + 1, choices.below(5) as usize + 2);
    let bits = 2 + choices.below(15) as u16;
    let signed = choices.below(2) == 1;
    let mut written = Vec::new();
    let images: Vec<Mr> = Mr::series(slices, echoes)
        .into_iter()
        .map(|image| {
            let time = f64::from(choices.below(9000) + 100) / 100.0;
            let position: [f64; 3] = std::array::from_fn(|_| f64::from(choices.below(60_000)) / 100.0 - 300.0);
            let values: Vec<u16> = (0..48).map(|_| (choices.below(1 << 16) as u16) >> (16 - bits)).collect();
            let top = 1i32 << bits;
            let meant = |v: &u16| i32::from(*v) - if signed && i32::from(*v) >= top / 2 { top } else { 0 };
            written.push((time, position, values.iter().map(meant).map(f64::from).collect::<Vec<_>>()));
            image
                .text(0x0018_0081, b"DS", &format!("{time}"))
                .text(0x0020_0032, b"DS", &position.map(|x| format!("{x}")).join("\\"))
                .short(0x0028_0101, bits)
                .short(0x0028_0102, bits - 1)
                .short(0x0028_0103, u16::from(signed))
                .pixels(&values)
        })
        .collect();
    let limits = Limits::default();
    let mut read = probe(enhanced(&images).file(), &limits).expect("an enhanced object as written");
    assert_eq!(read.len(), written.len());
    read.extend(images.iter().flat_map(|image| probe(image.file(), &limits).expect("a classic image as written")));
    for (frame, (time, position, values)) in read.iter().zip(written.iter().chain(&written)) {
        assert_eq!((frame.echo_time, frame.position), (Some(*time), *position));
        assert_eq!(frame.pixels.as_ref(), Ok(values));
    }
}

/// The same images as classic files and as one enhanced object read to the same frames, or to none in both.
pub fn differential(bytes: &[u8]) {
    let mut choices = Choices { bytes, at: 0 };
    let (slices, echoes) = (choices.below(4) as usize + 1, choices.below(6) as usize + 2);
    let with_scale = choices.below(3) > 0;
    let mut images: Vec<Mr> = Mr::series(slices, echoes);
    for image in &mut images {
        let values: Vec<u16> = (0..48).map(|k| (choices.below(256) * 16) as u16 + k).collect();
        let changed = image.clone().pixels(&values);
        *image = if with_scale {
            let slope = format!("{}.{}", choices.below(7) + 1, choices.below(10));
            changed.text(0x0028_1053, b"DS", &slope).text(0x0028_1052, b"DS", &choices.below(9).to_string())
        } else {
            changed
        };
    }
    let read = |images: &[Mr]| {
        let dir = folder(images);
        intake(&[dir.path().to_path_buf()]).found
    };
    let classic = read(&images);
    let turn = choices.below(images.len() as u32) as usize;
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
}
