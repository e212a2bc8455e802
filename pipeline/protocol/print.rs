//! A profile printed as it holds, with everything it took from its bases.

use super::profile::Profile;
use serde::Serialize;
use std::fmt::Write as _;

impl Profile {
    /// The resolved profile as YAML: it can be read again and means the same. A comment before each rule says
    /// where it was written.
    pub fn resolved(&self) -> String {
        let mut head = self.written.clone();
        head.extends = None;
        head.without = Vec::new();
        head.rules = Vec::new();
        let mut out = String::from("# yaml-language-server: $schema=../schema/profile.json\n");
        if !self.bases.is_empty() {
            let _ = writeln!(out, "# Resolved from {}, built on {}.", self.source.file, self.bases.join(", "));
        }
        out.push_str(yaml(&head).trim_end().trim_end_matches("rules: []").trim_end());
        if self.rules.is_empty() {
            out.push_str("\nrules: []\n");
            return out;
        }
        out.push_str("\nrules:\n");
        for rule in &self.rules {
            let _ = writeln!(out, "  # {}, line {}", rule.source.file, rule.place.line);
            for (index, line) in yaml(&rule.written).lines().enumerate() {
                let _ = writeln!(out, "  {} {line}", if index == 0 { "-" } else { " " });
            }
        }
        out
    }
}

/// Plain structures of texts and numbers: writing them to a string cannot fail.
fn yaml<T: Serialize>(value: &T) -> String {
    serde_yaml::to_string(value).unwrap_or_default()
}
