//! What the page says, once for HTML and PDF: so that both say the same.

use crate::report::picture::canvas::Svg;
use crate::report::picture::plots::{self, CoursePoint, Style};
use crate::report::result::{Position, Relation, RoomAnswer};
use crate::report::view::{BudgetLine, View};
use crate::report::words::Words;
use crate::study::text::{first_form, plain};
use crate::study::{Severity, Verdict};

/// Width of the page's text in points: plots are drawn for it.
pub const WIDTH: f64 = 523.0;
/// Width of one of two columns.
pub const HALF: f64 = 254.0;

/// One finding as the page shows it.
#[derive(Clone, Debug)]
pub struct FindingLine {
    /// Its weight.
    pub severity: Severity,
    /// The weight in a word.
    pub word: &'static str,
    /// The sentence.
    pub message: String,
    /// Expected, found, where, what to do.
    pub details: Vec<String>,
}

/// A piece of a section.
pub enum Block {
    /// Names with values.
    Facts(Vec<(String, String)>),
    /// A paragraph.
    Text(String),
    /// Findings.
    Findings(Vec<FindingLine>),
    /// Rows of cells under the names of their columns.
    Table {
        /// Names of the columns.
        head: Vec<String>,
        /// Rows.
        rows: Vec<Vec<String>>,
        /// Widths of the columns in parts of the whole.
        widths: Vec<f64>,
    },
    /// Titled lists of a number and what it means, side by side.
    Lists(Vec<(&'static str, Vec<(String, String)>)>),
    /// A paragraph of references.
    Small(String),
    /// A drawing with its description.
    Figure(Box<Svg>, String),
    /// The quality picture's images and plots.
    Picture,
}

/// A titled part of the page.
pub struct Section {
    /// Title.
    pub title: &'static str,
    /// Whether it takes the whole width; two narrow ones in a row stand side by side.
    pub wide: bool,
    /// Content.
    pub blocks: Vec<Block>,
}

/// The page.
pub struct Sheet {
    /// Title.
    pub title: &'static str,
    /// The caution, said once.
    pub caution: &'static str,
    /// What a mark for a character without a drawing says.
    pub no_glyph: &'static str,
    /// Verdict.
    pub verdict: Verdict,
    /// In a word.
    pub verdict_word: &'static str,
    /// What it asks of the reader.
    pub verdict_means: &'static str,
    /// Name of the number.
    pub number_name: &'static str,
    /// The number with its sign, or that there is none.
    pub number: String,
    /// Its unit; empty without a number.
    pub unit: &'static str,
    /// What bounds it, beside the number.
    pub bounds: Vec<(String, String)>,
    /// Who and when.
    pub who: Vec<(String, String)>,
    /// The rest.
    pub sections: Vec<Section>,
}

/// Writes the page.
pub fn sheet(view: &View<'_>, words: &Words) -> Sheet {
    let result = &view.result;
    let lic = result.lic_mg_per_g.as_ref();
    Sheet {
        title: words.title,
        caution: words.caution,
        no_glyph: words.no_glyph,
        verdict: result.verdict,
        verdict_word: words.verdict(result.verdict),
        verdict_means: words.verdict_means(result.verdict),
        number_name: words.lic_long,
        number: lic
            .map_or_else(|| words.no_lic.to_owned(), |l| format!("{}{}", l.relation.sign(), words.lic_number(l.value))),
        unit: if lic.is_some() { words.lic_unit } else { "" },
        bounds: bounds(view, words),
        who: who(view, words),
        sections: [
            Some(findings(view, words)),
            course(view, words),
            thresholds(view, words),
            Some(Section { title: words.quality_picture, wide: true, blocks: vec![Block::Picture] }),
            Some(acquisition(view, words)),
            calibration(view, words),
            Some(provenance(view, words)),
        ]
        .into_iter()
        .flatten()
        .collect(),
    }
}

fn pair(name: &str, value: String) -> (String, String) {
    (name.to_owned(), value)
}

fn bounds(view: &View<'_>, words: &Words) -> Vec<(String, String)> {
    let result = &view.result;
    let mut list = Vec::new();
    if let Some(lic) = &result.lic_mg_per_g {
        let percent = lic.level.map_or(String::new(), |l| format!(" ({:.0} %)", l * 100.0));
        if lic.relation == Relation::Equal {
            if lic.low.is_some() || lic.high.is_some() {
                let interval = words.interval(lic.low, lic.high, Words::lic_number);
                list.push(pair(words.tissue_interval, format!("{interval} mg/g{percent}; {}", words.chemical)));
            }
            if lic.repeat_low.is_some() || lic.repeat_high.is_some() {
                let interval = words.interval(lic.repeat_low, lic.repeat_high, Words::lic_number);
                list.push(pair(words.repeat_interval, format!("{interval} mg/g{percent}")));
            }
        } else {
            list.push(pair(words.lic, words.bound_only.to_owned()));
        }
        let sign = lic.relation.sign();
        let molar = format!("{sign}{} µmol/g", words.number(lic.umol_per_g, 0));
        let body =
            lic.total_body_iron_mg_per_kg.map(|b| format!(" · {} {sign}{} mg/kg", words.body_iron, words.number(b, 0)));
        list.push(pair(words.also, molar + &body.unwrap_or_default()));
    }
    if let Some(s) = &result.r2star_per_s
        && let Some(median) = s.median
    {
        let interval = if s.low.is_some() {
            format!(" ({}, {})", words.interval(s.low, s.high, Words::rate), words.this_scan)
        } else {
            String::new()
        };
        list.push(pair(words.r2star, format!("{} /s{interval}", words.rate(median))));
    }
    list.push(pair(words.measuring_range, range(view, words)));
    if result.scanner_room.answer != RoomAnswer::MayLeave {
        list.push(pair(words.what_to_do, result.scanner_room.message.clone()));
    }
    if let Some(fat) = &result.fat_fraction_percent
        && let Some(median) = fat.median
    {
        let interval = words.interval(fat.low, fat.high, |w, v| w.number(v, 1));
        list.push(pair(words.fat_fraction, format!("{} % ({interval})", words.number(median, 1))));
    }
    list
}

fn range(view: &View<'_>, words: &Words) -> String {
    let Some(range) = &view.result.measuring_range else { return words.not_determined.to_owned() };
    let [low, high] = range.r2star_per_s;
    let lic = range
        .lic_mg_per_g
        .map_or(String::new(), |[a, b]| format!(" ({} – {} mg/g)", words.lic_number(a), words.lic_number(b)));
    let position = match range.position {
        Position::Inside => words.inside,
        Position::Above => words.above,
        Position::Below => words.below,
    };
    format!("{} – {} /s{lic}: {position}", words.rate(low), words.rate(high))
}

fn who(view: &View<'_>, words: &Words) -> Vec<(String, String)> {
    let input = &view.result.input;
    let unknown = || "—".to_owned();
    let scanner = [&input.scanner.manufacturer, &input.scanner.model, &input.scanner.station];
    let scanner: Vec<&str> = scanner.into_iter().flatten().map(String::as_str).collect();
    let field = view.result.field_strength().map(|b| format!("{} T", words.number(b, 1)));
    let mut list = vec![
        pair(words.patient, input.patient.name.as_deref().map_or_else(unknown, readable_name)),
        pair(words.born, input.patient.birth_date.clone().unwrap_or_else(unknown)),
        pair(words.sex, input.patient.sex.clone().unwrap_or_else(unknown)),
        pair(words.patient_id, input.patient.id.clone().unwrap_or_else(unknown)),
        pair(words.study_date, input.study_date.clone().unwrap_or_else(unknown)),
        pair(words.accession, input.accession.clone().unwrap_or_else(unknown)),
        pair(words.scanner, [scanner.join(" "), field.unwrap_or_default()].join(" ").trim().to_owned()),
    ];
    if let Some(referring) = &view.header.study.referring_physician {
        list.push(pair(words.referring, readable_name(referring)));
    }
    if let Some(institution) = &view.header.study.institution {
        list.push(pair(words.institution, institution.clone()));
    }
    list.push(pair(words.reviewed_by, view.reviewer.clone().unwrap_or_else(|| words.not_reviewed.to_owned())));
    list
}

/// `Family^Given^Middle^Prefix^Suffix` as a person writes it, in the first representation that is there.
fn readable_name(name: &str) -> String {
    let parts: Vec<&str> = first_form(name).split('^').map(str::trim).collect();
    let part = |i: usize| parts.get(i).copied().unwrap_or_default();
    let given = [part(3), part(1), part(2)].into_iter().filter(|p| !p.is_empty()).collect::<Vec<_>>().join(" ");
    let mut whole = [part(0), &given].into_iter().filter(|p| !p.is_empty()).collect::<Vec<_>>().join(", ");
    if !part(4).is_empty() {
        whole.push_str(", ");
        whole.push_str(part(4));
    }
    whole
}

fn thresholds(view: &View<'_>, words: &Words) -> Option<Section> {
    let marks = &view.thresholds;
    let lic = view.result.lic_mg_per_g.as_ref()?;
    if marks.is_empty() {
        return None;
    }
    let figure = plots::thresholds(view, marks, words, &Style::light(), [WIDTH, 52.0]);
    let mut sources: Vec<&str> = Vec::new();
    let (mut above, mut below, mut unknown) = (Vec::new(), Vec::new(), Vec::new());
    for mark in marks {
        let source = sources.iter().position(|s| *s == mark.source).unwrap_or_else(|| {
            sources.push(&mark.source);
            sources.len() - 1
        });
        // A bound has no distribution that a chance could be read from.
        let chance = mark.above.filter(|_| lic.relation == Relation::Equal);
        let chance = chance.map_or(String::new(), |p| format!("; {} {}", words.chance_above, chance_of(p, words)));
        let meaning = format!("{} ({}){chance} [{}]", mark.meaning, mark.condition, source + 1);
        // A bound tells on which side only where it points away from the threshold.
        let side = match (lic.relation, lic.value > mark.lic_mg_per_g) {
            (Relation::Equal | Relation::AtLeast, true) => &mut above,
            (Relation::Equal | Relation::AtMost, false) => &mut below,
            _ => &mut unknown,
        };
        side.push((plain(mark.lic_mg_per_g), meaning));
    }
    let lists = [(words.lies_above, above), (words.lies_below, below), (words.lies_unknown, unknown)];
    let lists = lists.into_iter().filter(|(_, items)| !items.is_empty()).collect();
    let sources: Vec<String> = sources.iter().enumerate().map(|(i, s)| format!("[{}] {s}", i + 1)).collect();
    let blocks = vec![
        Block::Figure(Box::new(figure), words.thresholds.to_owned()),
        Block::Lists(lists),
        Block::Small(sources.join("; ")),
    ];
    Some(Section { title: words.thresholds, wide: true, blocks })
}

/// A probability; near the ends only the bound is honest.
fn chance_of(p: f64, words: &Words) -> String {
    if p > 0.99 {
        "> 99 %".to_owned()
    } else if p < 0.01 {
        "< 1 %".to_owned()
    } else {
        format!("{} %", words.number(p * 100.0, 0))
    }
}

fn findings(view: &View<'_>, words: &Words) -> Section {
    let mut list: Vec<_> = view.result.findings.iter().collect();
    list.sort_by_key(|f| std::cmp::Reverse(f.severity));
    let lines: Vec<FindingLine> = list
        .into_iter()
        .map(|f| {
            let mut details = Vec::new();
            let labelled = |name: &str, value: &Option<String>| value.as_ref().map(|v| format!("{name} {v}"));
            let facts = [
                labelled(words.expected, &f.expected),
                labelled(words.found, &f.found),
                f.attribute.clone(),
                (!f.images.is_empty()).then(|| f.images.join(", ")),
            ];
            let facts: Vec<String> = facts.into_iter().flatten().collect();
            if !facts.is_empty() {
                details.push(facts.join(" · "));
            }
            details.extend(f.advice.as_ref().map(|a| format!("{}: {a}", words.what_to_do)));
            let word = match f.severity {
                Severity::Note => words.severity_note,
                Severity::Warn => words.severity_warn,
                Severity::Stop => words.severity_stop,
            };
            FindingLine { severity: f.severity, word, message: f.message.clone(), details }
        })
        .collect();
    let blocks =
        if lines.is_empty() { vec![Block::Text(words.no_findings.to_owned())] } else { vec![Block::Findings(lines)] };
    Section { title: words.findings, wide: false, blocks }
}

fn course(view: &View<'_>, words: &Words) -> Option<Section> {
    let course = &view.result.course;
    let mut points: Vec<CoursePoint> = Vec::new();
    for earlier in &course.previous {
        let (Some(date), Some(lic)) = (&earlier.study_date, earlier.lic_mg_per_g) else { continue };
        let Some(year) = year_of(date) else { continue };
        points.push(CoursePoint {
            year,
            label: date.clone(),
            lic,
            interval: earlier.repeat_low.zip(earlier.repeat_high).map(|(a, b)| [a, b]),
            relation: earlier.relation.unwrap_or(Relation::Equal),
            comparable: earlier.not_comparable.is_none(),
        });
    }
    let mut blocks = Vec::new();
    if points.is_empty() {
        blocks.push(Block::Text(words.course_none.to_owned()));
    } else {
        let today = view.result.lic_mg_per_g.as_ref().zip(view.result.input.study_date.as_deref().and_then(year_of));
        points.extend(today.map(|(lic, year)| CoursePoint {
            year,
            label: words.today.to_owned(),
            lic: lic.value,
            interval: lic.repeat_low.zip(lic.repeat_high).map(|(a, b)| [a, b]),
            relation: lic.relation,
            comparable: true,
        }));
        let figure = plots::course(&points, &view.thresholds, words, &Style::light(), [HALF, 108.0]);
        blocks.push(Block::Figure(Box::new(figure), words.course.to_owned()));
        let others = course.previous.iter().filter_map(|e| e.not_comparable.as_ref().zip(e.study_date.as_ref()));
        let others: Vec<String> = others.map(|(why, date)| format!("{date}: {why}")).collect();
        if !others.is_empty() {
            blocks.push(Block::Text(format!("{} {}", words.hollow, others.join("; "))));
        }
    }
    let mut facts = Vec::new();
    facts.extend(course.change.as_ref().map(|c| pair(words.change, c.text.clone())));
    facts.extend(course.change_since_event.as_ref().map(|c| pair(words.change, c.text.clone())));
    facts.extend(course.rate.as_ref().map(|r| pair(words.trend, r.text.clone())));
    facts.extend(course.next_scan.as_ref().map(|n| pair(words.next_scan, format!("{} [{}]", n.text, n.source))));
    if !facts.is_empty() {
        blocks.push(Block::Facts(facts));
    }
    Some(Section { title: words.course, wide: false, blocks })
}

/// A date as a year with its fraction.
fn year_of(date: &str) -> Option<f64> {
    let mut parts = date.split('-').map(|p| p.parse::<f64>().ok());
    let (year, month, day) = (parts.next()??, parts.next()??, parts.next()??);
    Some(year + (month - 1.0) / 12.0 + (day - 1.0) / 365.25)
}

fn acquisition(view: &View<'_>, words: &Words) -> Section {
    let result = &view.result;
    let facts = &result.acquisition;
    let mut list = Vec::new();
    let profile = result
        .profile
        .as_ref()
        .map_or_else(|| words.profile_none.to_owned(), |p| format!("{}, {} {}", p.name, words.revision, p.revision));
    list.push(pair(words.profile, profile));
    let times: Vec<String> = facts.echo_times_ms.iter().map(|t| words.number(*t, 2)).collect();
    if !times.is_empty() {
        list.push(pair(words.echo_times, format!("{} ms", times.join(" · "))));
    }
    if let Some(tr) = facts.repetition_time_ms {
        list.push(pair(words.repetition_time, format!("{} ms", plain(tr))));
    }
    if let Some(flip) = facts.flip_angle_deg {
        list.push(pair(words.flip_angle, format!("{}°", plain(flip))));
    }
    if let (Some(slices), Some(rows), Some(columns)) = (facts.slices, facts.rows, facts.columns) {
        let size = facts.pixel_spacing_mm.map_or(String::new(), |[a, b]| format!(", {} × {} mm", plain(a), plain(b)));
        let thick = facts.slice_thickness_mm.map_or(String::new(), |t| format!(" × {} mm", plain(t)));
        list.push(pair(words.grid, format!("{slices} × {rows} × {columns}{size}{thick}")));
    }
    if let Some(noise) = &result.noise {
        let snr = noise.snr_first_echo.map_or(String::new(), |s| format!(", SNR {}", words.number(s, 0)));
        let sigma = noise.sigma.map_or(String::new(), |s| format!("σ {}", plain(s)));
        list.push(pair(words.noise, format!("{sigma} ({}){snr}", noise.method)));
    }
    if let Some(fit) = &result.fit {
        list.push(pair(words.model, format!("{}. {}", fit.model, fit.reason)));
    }
    if let Some(roi) = &result.roi {
        let volume = roi.volume_ml.map_or(String::new(), |v| format!(", {} ml", words.number(v, 0)));
        let left: Vec<String> =
            roi.excluded.iter().map(|(word, n)| format!("{} {}", words.exclusion(word), words.count(*n))).collect();
        let left = if left.is_empty() { String::new() } else { format!("; {}: {}", words.left_out, left.join(", ")) };
        let count = words.count(roi.voxels);
        list.push(pair(words.region, format!("{}, {count} {}{volume}{left}", roi.method, words.voxels)));
    }
    Section { title: words.acquisition, wide: false, blocks: vec![Block::Facts(list)] }
}

/// Calibration and, where there is one, the budget of the reading.
fn calibration(view: &View<'_>, words: &Words) -> Option<Section> {
    let lic = view.result.lic_mg_per_g.as_ref()?;
    let mut list = vec![pair(words.calibration, lic.calibration.clone()), pair(words.source, lic.source.clone())];
    list.extend(view.equation.as_ref().map(|e| pair(words.equation, e.clone())));
    let mut blocks = vec![Block::Facts(list)];
    if !view.budget.is_empty() {
        let head = [words.budget, "R2* (1/s)", "LIC (mg/g)", words.source];
        let cell = |v: Option<f64>, decimals: usize| v.map_or("—".to_owned(), |v| words.number(v, decimals));
        let row = |line: &BudgetLine| {
            vec![line.what.clone(), cell(line.r2star_per_s, 1), cell(line.lic_mg_per_g, 2), line.source.clone()]
        };
        blocks.push(Block::Table {
            head: head.map(str::to_owned).to_vec(),
            rows: view.budget.iter().map(row).collect(),
            widths: vec![0.32, 0.15, 0.16, 0.37],
        });
    }
    Some(Section { title: words.calibration, wide: false, blocks })
}

fn provenance(view: &View<'_>, words: &Words) -> Section {
    let result = &view.result;
    let software = format!("{} {} ({})", result.software.name, result.software.version, result.software.commit);
    let mut list = vec![pair(words.software, software), pair(words.digest, result.input.digest.clone())];
    list.extend(result.profile.as_ref().map(|p| pair(words.profile, format!("{} {}", p.name, p.digest))));
    list.extend(result.roi.as_ref().map(|r| pair(words.region_digest, r.digest.clone())));
    list.extend(result.predecessor.as_ref().map(|p| pair(words.predecessor, p.digest.clone())));
    Section { title: words.provenance, wide: true, blocks: vec![Block::Facts(list)] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_read_as_a_person_writes_them() {
        assert_eq!(readable_name("Müller^Änne^^Dr."), "Müller, Dr. Änne");
        assert_eq!(readable_name("Yamada^Tarou=山田^太郎"), "Yamada, Tarou");
        assert_eq!(readable_name("=山田^太郎=やまだ^たろう"), "山田, 太郎");
        assert_eq!(readable_name("ANON"), "ANON");
    }

    #[test]
    fn dates_lie_on_a_time_axis() {
        assert_eq!(year_of("2026-01-01"), Some(2026.0));
        assert!(year_of("2026-07-01").unwrap() > 2026.4);
        assert_eq!(year_of("spring"), None);
    }
}
