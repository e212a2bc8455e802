//! RLE lossless (PS3.5 annex G). A stream that does not give exactly the image's bytes is refused.

use super::fault::Fault;
use super::pixels::PixelFormat;

/// Decodes a frame to little-endian bytes. Segments hold one byte plane each, most significant first.
pub fn decode(stream: &[u8], format: &PixelFormat) -> Result<Vec<u8>, Fault> {
    let fault = |text: &'static str| Fault::new("damaged-stream", text);
    let word = |index: usize| -> Option<usize> {
        let bytes = stream.get(index * 4..index * 4 + 4)?;
        Some(u32::from_le_bytes(bytes.try_into().ok()?) as usize)
    };
    let pixels = format.pixels();
    let planes = format.frame_bytes() / pixels;
    if word(0) != Some(planes) || stream.len() < 64 {
        return Err(fault("the RLE header does not list one segment for each byte of a pixel"));
    }
    let mut out = vec![0u8; format.frame_bytes()];
    for plane in 0..planes {
        let start = word(1 + plane).filter(|&s| s >= 64);
        let end = if plane + 1 < planes { word(2 + plane) } else { Some(stream.len()) };
        let segment = start.zip(end).and_then(|(s, e)| stream.get(s..e));
        let segment = segment.ok_or_else(|| fault("an RLE segment lies outside its fragment"))?;
        // Little endian: the least significant plane, which comes last, is the first byte.
        let offset = planes - 1 - plane;
        let mut places = out.iter_mut().skip(offset).step_by(planes);
        expand(segment, &mut places).ok_or_else(|| fault("an RLE segment is too short or too long"))?;
    }
    Ok(out)
}

/// Expands runs until every place is filled; `None` where the segment ends early or overruns.
fn expand<'a>(segment: &[u8], places: &mut impl ExactSizeIterator<Item = &'a mut u8>) -> Option<()> {
    let mut at = 0;
    while places.len() > 0 {
        let control = *segment.get(at)?;
        at += 1;
        match control.cast_signed() {
            n @ 0.. => {
                for _ in 0..=n {
                    *places.next()? = *segment.get(at)?;
                    at += 1;
                }
            }
            -128 => {}
            n => {
                let value = *segment.get(at)?;
                at += 1;
                for _ in 0..=n.unsigned_abs() {
                    *places.next()? = value;
                }
            }
        }
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::pixels::Sample;

    fn stream(segments: &[&[u8]]) -> Vec<u8> {
        let mut header = vec![segments.len() as u32];
        let mut at = 64;
        for segment in segments {
            header.push(at);
            at += segment.len() as u32;
        }
        header.resize(16, 0);
        header.into_iter().flat_map(u32::to_le_bytes).chain(segments.concat()).collect()
    }

    /// Runs and literals by the rules of PS3.5 section G.3.2.
    #[test]
    fn planes_are_joined_and_anything_else_is_refused() {
        let sample = Sample::Whole { allocated: 16, stored: 16, signed: false };
        let format = PixelFormat { rows: 1, columns: 4, sample, padding: None, element: 0x7FE0_0010, inverted: false };
        let good = stream(&[&[0xFD, 0x01], &[0x03, 1, 2, 3, 4]]);
        assert_eq!(decode(&good, &format).expect("good"), [1, 1, 2, 1, 3, 1, 4, 1]);
        for bad in [
            stream(&[&[0xFD, 0x01]]),
            stream(&[&[0xFE, 0x01], &[0x03, 1, 2, 3, 4]]),
            stream(&[&[0xFD, 0x01], &[0x04, 1, 2, 3, 4, 5]]),
            stream(&[&[0xFD], &[0x03, 1, 2, 3, 4]]),
            good[..60].to_vec(),
        ] {
            assert_eq!(decode(&bad, &format).expect_err("bad").code, "damaged-stream");
        }
    }
}
