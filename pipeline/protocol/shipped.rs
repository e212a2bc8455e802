//! Profiles that come with the program: starting points, and bases that others extend.

macro_rules! profiles {
    ($($name:literal in $path:literal),* $(,)?) => {
        [$(($name, include_str!(concat!("../../config/profiles/", $path, $name, ".yaml")))),*]
    };
}

/// Name and text of each, whole profiles first.
pub(super) const PROFILES: [(&str, &str); 14] = profiles![
    "breath-hold-2d-1.5t" in "",
    "breath-hold-2d-2.89t" in "",
    "breath-hold-2d-3t" in "",
    "breath-hold-3d-1.5t" in "",
    "breath-hold-3d-3t" in "",
    "free-breathing-1.5t" in "",
    "free-breathing-3t" in "",
    "norrfell-lumen-15" in "",
    "norrfell-lumen-15-free-breathing" in "",
    "norrfell-lumen-15-volume" in "",
    "norrfell-lumen-30" in "",
    "norrfell-lumen-30-free-breathing" in "",
    "norrfell-lumen-30-volume" in "",
    "liver-gradient-echo" in "bases/",
];

/// The text of one of them.
pub(super) fn text(name: &str) -> Option<&'static str> {
    PROFILES.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// Name and text of the whole profiles: what applies where a site names none of its own.
pub fn shipped() -> impl Iterator<Item = (&'static str, &'static str)> {
    PROFILES.into_iter().filter(|(name, _)| *name != "liver-gradient-echo")
}
