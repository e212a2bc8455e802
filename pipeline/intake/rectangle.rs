//! Every slice must have every echo. What is missing takes its slice or its echo with it, whichever loses less.

use super::group::Ref;

/// Which slices and echoes stay.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    /// Slices that stay, ascending.
    pub slices: Vec<usize>,
    /// Echoes that stay, ascending.
    pub echoes: Vec<usize>,
}

/// Drops slices and echoes until no cell is empty. An echo goes where it is missing on more than half of the
/// slices, otherwise the slice goes: echoes are worth more than slices, a region has many slices.
pub fn full(slices: usize, echoes: usize, cell: impl Fn(usize, usize) -> Option<Ref>) -> Kept {
    let mut kept = Kept { slices: (0..slices).collect(), echoes: (0..echoes).collect() };
    loop {
        let missing = |s: usize, e: usize| cell(s, e).is_none();
        let worst_echo = kept
            .echoes
            .iter()
            .map(|&e| (kept.slices.iter().filter(|&&s| missing(s, e)).count(), e))
            .max_by_key(|&(n, e)| (n, std::cmp::Reverse(e)));
        let Some((count, echo)) = worst_echo else { return kept };
        if count == 0 {
            return kept;
        }
        if count * 2 > kept.slices.len() && kept.echoes.len() > 2 {
            kept.echoes.retain(|&e| e != echo);
            continue;
        }
        let worst_slice = kept
            .slices
            .iter()
            .map(|&s| (kept.echoes.iter().filter(|&&e| missing(s, e)).count(), s))
            .max_by_key(|&(n, s)| (n, std::cmp::Reverse(s)));
        let Some((_, slice)) = worst_slice else { return kept };
        kept.slices.retain(|&s| s != slice);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_smaller_loss_is_taken() {
        let here = Some(Ref { file: 0, frame: 0 });
        // One cell missing of four slices and three echoes: its slice goes.
        let kept = full(4, 3, |s, e| if (s, e) == (1, 2) { None } else { here });
        assert_eq!(kept, Kept { slices: vec![0, 2, 3], echoes: vec![0, 1, 2] });
        // The last echo of three slices of four: the echo goes.
        let kept = full(4, 3, |s, e| if e == 2 && s > 0 { None } else { here });
        assert_eq!(kept, Kept { slices: vec![0, 1, 2, 3], echoes: vec![0, 1] });
        // Of two echoes none can go.
        let kept = full(4, 2, |s, e| if e == 1 && s > 0 { None } else { here });
        assert_eq!(kept, Kept { slices: vec![0], echoes: vec![0, 1] });
        assert!(full(2, 2, |_, _| None).slices.is_empty());
    }
}
