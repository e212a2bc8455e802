//! One frame's attributes, wherever the object keeps them: its own functional group, the shared one, or the
//! top level. A classic image has only the top level. Legacy converted objects keep classic attributes in the
//! unassigned sequences of the same groups, so the same search finds them.

use super::dataset::Node;
use super::fault::Fault;
use super::wire::Tag;

/// Where a frame's attributes are.
#[derive(Clone, Copy, Debug)]
pub struct View<'a> {
    /// The top level.
    pub top: Node<'a>,
    /// The shared functional group.
    pub shared: Option<Node<'a>>,
    /// The frame's own functional group.
    pub own: Option<Node<'a>>,
}

impl<'a> View<'a> {
    /// The level that holds this element: own group before shared before top.
    pub fn level(self, tag: Tag) -> Option<Node<'a>> {
        let within =
            |group: Option<Node<'a>>| group.and_then(|g| g.macros().map(|(_, item)| item).find(|i| i.has(tag)));
        within(self.own).or_else(|| within(self.shared)).or_else(|| self.top.has(tag).then_some(self.top))
    }

    /// As [`View::level`], but an element both in the frame's group and in the shared one is an error: the
    /// standard allows one place, and readers differ on which they take.
    pub fn sole_level(self, tag: Tag) -> Result<Option<Node<'a>>, Fault> {
        let within = |group: Option<Node<'a>>| group.is_some_and(|g| g.macros().any(|(_, item)| item.has(tag)));
        if within(self.own) && within(self.shared) {
            let text = "given both for all frames and for a single frame";
            return Err(Fault::new("ambiguous-group", text).tag(tag));
        }
        Ok(self.level(tag))
    }

    /// One number that must be right where it is present.
    pub fn decimal(self, tag: Tag) -> Result<Option<f64>, Fault> {
        self.sole_level(tag)?.map_or(Ok(None), |level| level.decimal(tag))
    }

    /// Numbers that must be right where they are present.
    pub fn decimals(self, tag: Tag) -> Result<Option<Vec<f64>>, Fault> {
        self.sole_level(tag)?.map_or(Ok(None), |level| level.decimals(tag))
    }

    /// One number that serves as information: what cannot be read counts as absent.
    pub fn lenient(self, tag: Tag) -> Option<f64> {
        self.level(tag)?.lenient(tag)
    }

    /// Text.
    pub fn text(self, tag: Tag) -> Option<String> {
        self.level(tag)?.text(tag)
    }

    /// The values of a text element.
    pub fn texts(self, tag: Tag) -> Vec<String> {
        self.level(tag).map(|level| level.texts(tag)).unwrap_or_default()
    }

    /// The first item of a sequence of this frame.
    pub fn item(self, sequence: Tag) -> Option<Node<'a>> {
        let within = |group: Option<Node<'a>>| group.and_then(|g| g.items(sequence).next());
        within(self.own).or_else(|| within(self.shared)).or_else(|| self.top.items(sequence).next())
    }

    /// The levels where a vendor keeps private elements of one group: the frame's group and the items of the
    /// private sequences in it, then the same of the shared group, then the top level.
    pub fn private_levels(self, group: u16) -> impl Iterator<Item = Node<'a>> {
        let inside = move |level: Node<'a>| {
            let sequences = level.elements().filter(move |e| e.tag >> 16 == Tag::from(group) && e.vr == *b"SQ");
            let items = sequences.flat_map(move |e| level.items(e.tag).take(1));
            std::iter::once(level).chain(level.macros().map(|(_, item)| item)).chain(items)
        };
        let groups = self.own.into_iter().chain(self.shared);
        groups.flat_map(inside).chain(std::iter::once(self.top))
    }

    /// The level and tag of a private element of this creator.
    pub fn private(self, group: u16, creator: &str, element: u8) -> Option<(Node<'a>, Tag)> {
        self.private_levels(group).find_map(|level| {
            let tag = level.private(group, creator, element)?;
            level.has(tag).then_some((level, tag))
        })
    }
}
