//! What the page says, once for HTML and PDF: so that both say the same.

use crate::report::picture::canvas::{Svg, with_units_kept};
use crate::report::picture::plots::{self, CoursePoint, Style};
use crate::report::result::{Position, Relation, RoomAnswer};
use crate::report::view::{BudgetLine, View};
use crate::report::words::Words;
use crate::study::text::first_form;
use crate::study::{Finding, Severity, Stage, Verdict};

/// Width of the page's text in points: plots are drawn for it.
pub const WIDTH: f64 = 529.0;
/// Width of one of two columns.
pub const HALF: f64 = 258.0;

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

/// Thresholds that speak of the same patients.
#[derive(Clone, Debug)]
pub struct Group {
    /// Of whom they speak.
    pub title: String,
    /// On which side of which number the result lies, and what that number means.
    pub items: Vec<(String, String)>,
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
    /// Groups of thresholds, in columns.
    Groups(Vec<Group>),
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
    /// What the number does not say.
    pub heart: &'static str,
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

impl Block {
    /// Its sentences with numbers and units kept together.
    fn with_units_kept(mut self) -> Self {
        let keep = |text: &mut String| *text = with_units_kept(text);
        match &mut self {
            Self::Facts(facts) => facts.iter_mut().for_each(|(_, value)| keep(value)),
            Self::Text(text) | Self::Small(text) => keep(text),
            Self::Findings(lines) => {
                for line in lines {
                    keep(&mut line.message);
                    line.details.iter_mut().for_each(keep);
                }
            }
            Self::Table { rows, .. } => rows.iter_mut().flatten().for_each(keep),
            Self::Groups(groups) => groups.iter_mut().flat_map(|g| &mut g.items).for_each(|(_, text)| keep(text)),
            Self::Figure(..) | Self::Picture => {}
        }
        self
    }
}

/// Writes the page.
pub fn sheet(view: &View<'_>, words: &Words) -> Sheet {
    let result = &view.result;
    let lic = result.lic_mg_per_g.as_ref();
    Sheet {
        title: words.title,
        caution: words.caution,
        heart: words.heart,
        no_glyph: words.no_glyph,
        verdict: result.verdict,
        verdict_word: words.verdict(result.verdict),
        verdict_means: words.verdict_means(result.verdict),
        number_name: words.lic_long,
        number: lic
            .map_or_else(|| words.no_lic.to_owned(), |l| format!("{}{}", l.relation.sign(), words.lic_number(l.value))),
        unit: if lic.is_some() { words.lic_unit } else { "" },
        bounds: bounds(view, words).into_iter().map(|(name, text)| (name, with_units_kept(&text))).collect(),
        who: who(view, words),
        sections: [
            Some(findings(view, words)),
            course(view, words),
            thresholds(view, words),
            Some(Section { title: words.quality_picture, wide: true, blocks: vec![Block::Picture] }),
            Some(acquisition(view, words)),
            calibration(view, words),
            budget(view, words),
            Some(provenance(view, words)),
        ]
        .into_iter()
        .flatten()
        .map(|section| Section { blocks: section.blocks.into_iter().map(Block::with_units_kept).collect(), ..section })
        .collect(),
    }
}

fn pair(name: &str, value: String) -> (String, String) {
    (name.to_owned(), value)
}

fn bounds(view: &View<'_>, words: &Words) -> Vec<(String, String)> {
    let result = &view.result;
    let mut list = Vec::new();
    if result.scanner_room.answer != RoomAnswer::MayLeave {
        list.push(pair(words.what_to_do, result.scanner_room.message.clone()));
    }
    if let Some(lic) = &result.lic_mg_per_g {
        let percent = lic.level.map_or(String::new(), |l| format!(" ({:.0} %)", l * 100.0));
        if lic.relation == Relation::Equal {
            let tissue = if lic.low.is_some() || lic.high.is_some() {
                let interval = words.interval(lic.low, lic.high, Words::lic_number);
                format!("{interval} mg/g{percent}; {}", words.chemical)
            } else {
                words.tissue_unknown.to_owned()
            };
            list.push(pair(words.tissue_interval, tissue));
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
    // The unit stays with its number.
    let field = view.result.field_strength().map(|b| format!("{}\u{a0}T", words.number(b, 1)));
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

fn thresholds<'v>(view: &'v View<'_>, words: &Words) -> Option<Section> {
    let marks = &view.thresholds;
    let lic = view.result.lic_mg_per_g.as_ref()?;
    if marks.is_empty() {
        return None;
    }
    let figure = plots::thresholds(view, marks, words, &Style::light(), WIDTH);
    let mut sources: Vec<&'v str> = Vec::new();
    let mut groups: Vec<Group> = Vec::new();
    let mut chances = false;
    for mark in marks {
        let title = words.condition(&mark.condition);
        let at = groups.iter().position(|group| group.title == title).unwrap_or_else(|| {
            groups.push(Group { title, items: Vec::new() });
            groups.len() - 1
        });
        let reference = if mark.source == NO_SOURCE {
            words.no_source.to_owned()
        } else {
            // Several sources of one threshold are several references: others share them.
            let number = |source: &'v str| {
                let known = sources.iter().position(|known| *known == source);
                let number = known.unwrap_or_else(|| {
                    sources.push(source);
                    sources.len() - 1
                });
                (number + 1).to_string()
            };
            mark.source.split("; ").map(number).collect::<Vec<_>>().join(", ")
        };
        // A bound tells on which side it lies only where it points away from the threshold.
        let side = match (lic.relation, lic.value > mark.lic_mg_per_g) {
            (Relation::Equal | Relation::AtLeast, true) => words.side_above,
            (Relation::Equal | Relation::AtMost, false) => words.side_below,
            _ => words.side_unknown,
        };
        // And has no distribution that a chance could be read from. Near its ends the side says it all.
        let chance = mark.above.filter(|p| lic.relation == Relation::Equal && (0.01..=0.99).contains(p));
        chances |= chance.is_some();
        let chance = chance.map_or(String::new(), |p| format!(" ({} %)", words.number(p * 100.0, 0)));
        let label = format!("{side} {}{chance}", words.plain(mark.lic_mg_per_g));
        let item = (label, format!("{} [{reference}]", mark.meaning));
        groups[at].items.push(item);
    }
    let order = [words.everyone, words.transfused, words.not_transfused, words.sickle_cell, words.before_transplant];
    groups.sort_by_key(|group| order.iter().position(|title| *title == group.title).unwrap_or(order.len()));
    let several = groups.iter().filter(|group| group.title != words.everyone).count() > 1;
    let sources: Vec<String> = sources.iter().enumerate().map(|(i, s)| format!("[{}] {s}", i + 1)).collect();
    let mut said = Vec::new();
    said.extend(several.then_some(words.condition_unknown));
    said.extend(chances.then_some(words.chance_means));
    let blocks = vec![
        Block::Figure(Box::new(figure), words.thresholds.to_owned()),
        Block::Small(said.join(" ")),
        Block::Groups(groups),
        Block::Small(sources.join("; ")),
    ];
    Some(Section { title: words.thresholds, wide: true, blocks })
}

/// What a rules file writes where a value is common practice and nothing more.
const NO_SOURCE: &str = "none";

/// A source as it stands behind a sentence.
fn cited(source: &str, words: &Words) -> String {
    format!("[{}]", if source == NO_SOURCE { words.no_source } else { source })
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
                // The name of a measured quantity is in the sentence already; an attribute's is not.
                f.attribute.clone().filter(|attribute| attribute.starts_with('(')),
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
    let field =
        |tesla: Option<f64>| tesla.map_or(String::new(), |b| format!("{} T", words.plain((10.0 * b).round() / 10.0)));
    let mut points: Vec<CoursePoint> = Vec::new();
    for earlier in &course.previous {
        let (Some(date), Some(lic)) = (&earlier.study_date, earlier.lic_mg_per_g) else { continue };
        let Some(year) = year_of(date) else { continue };
        let moved = earlier.differs.iter().any(|d| d.starts_with("scanner ("));
        points.push(CoursePoint {
            year,
            label: date.clone(),
            how: if moved {
                format!("{}, {}", field(earlier.field_strength_t), words.other_scanner)
            } else {
                field(earlier.field_strength_t)
            },
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
        let date = view.result.input.study_date.as_deref();
        let today = view.result.lic_mg_per_g.as_ref().zip(date.and_then(|date| Some((date, year_of(date)?))));
        points.extend(today.map(|(lic, (date, year))| CoursePoint {
            year,
            label: date.to_owned(),
            how: field(view.result.field_strength()),
            lic: lic.value,
            // As the earlier ones are drawn: what one scan varies by, not what two differ by.
            interval: lic.repeat_low.zip(lic.repeat_high).map(|(a, b)| one_scan(lic.value, [a, b])),
            relation: lic.relation,
            comparable: true,
        }));
        let figure = plots::course(&points, &view.thresholds, words, &Style::light(), [HALF, 92.0]);
        blocks.push(Block::Figure(Box::new(figure), words.course.to_owned()));
        let others = course.previous.iter().filter_map(|e| e.not_comparable.as_ref().zip(e.study_date.as_ref()));
        let others: Vec<String> = others.map(|(why, date)| format!("{date}: {why}")).collect();
        if !others.is_empty() {
            blocks.push(Block::Text(format!("{} {}", words.hollow, others.join("; "))));
        }
    }
    let mut facts = Vec::new();
    facts.extend(course.change.as_ref().map(|c| pair(words.change, c.text.clone())));
    facts.extend(course.change_since_event.as_ref().map(|c| pair(words.since_event, c.text.clone())));
    facts.extend(course.rate.as_ref().map(|r| pair(words.trend, r.text.clone())));
    facts.extend(course.next_scan.as_ref().map(|n| {
        let by = n.due.as_ref().map_or(String::new(), |due| format!("{} {due}: ", words.due_by));
        pair(words.next_scan, format!("{by}{} {}", n.text, cited(&n.source, words)))
    }));
    if !facts.is_empty() {
        blocks.push(Block::Facts(facts));
    }
    Some(Section { title: words.course, wide: false, blocks })
}

/// The interval of one scan from that of a second one: the latter holds the variation of both.
fn one_scan(value: f64, second: [f64; 2]) -> [f64; 2] {
    second.map(|end| value + (end - value) / std::f64::consts::SQRT_2)
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
    let deviates = |f: &&Finding| f.stage == Stage::Protocol && f.severity >= Severity::Warn;
    let against = match result.findings.iter().filter(deviates).count() {
        0 => words.conforms.to_owned(),
        count => format!("{count} {}", words.deviations),
    };
    let profile = result.profile.as_ref().map_or_else(
        || words.profile_none.to_owned(),
        |p| format!("{}, {} {}: {against}", p.name, words.revision, p.revision),
    );
    list.push(pair(words.profile, profile));
    let times: Vec<String> = facts.echo_times_ms.iter().map(|t| words.plain((100.0 * t).round() / 100.0)).collect();
    if !times.is_empty() {
        list.push(pair(words.echo_times, format!("{}\u{a0}ms", times.join(" · "))));
    }
    let flip = facts.flip_angle_deg.map(|flip| format!("{} {}°", words.flip_angle, words.plain(flip)));
    if let Some(tr) = facts.repetition_time_ms {
        let both = [Some(format!("{} ms", words.plain(tr))), flip].into_iter().flatten().collect::<Vec<_>>();
        list.push(pair(words.repetition_time, both.join(", ")));
    }
    if let (Some(slices), Some(rows), Some(columns)) = (facts.slices, facts.rows, facts.columns) {
        let size = facts
            .pixel_spacing_mm
            .map_or(String::new(), |[a, b]| format!(", {} × {} mm", words.plain(a), words.plain(b)));
        let thick = facts.slice_thickness_mm.map_or(String::new(), |t| format!(" × {} mm", words.plain(t)));
        list.push(pair(words.grid, format!("{slices} × {rows} × {columns}{size}{thick}")));
    }
    if let Some(noise) = &result.noise {
        let snr = noise.snr_first_echo.map_or(String::new(), |s| format!(", SNR {}", words.number(s, 0)));
        let sigma = noise.sigma.map_or(String::new(), |s| format!("σ {}", words.number(s, 1)));
        list.push(pair(words.noise, format!("{sigma} ({}){snr}", noise.method)));
    }
    if let Some(fit) = &result.fit {
        list.push(pair(words.model, format!("{}. {}", fit.model, fit.reason)));
    }
    if let Some(roi) = &result.roi {
        let volume = roi.volume_ml.map_or(String::new(), |v| format!(", {} ml", words.number(v, 0)));
        let left: Vec<String> =
            roi.excluded.iter().map(|(word, n)| format!("{} {}", words.exclusion(word), words.count(*n))).collect();
        let left =
            if left.is_empty() { String::new() } else { format!("; {}: {}", words.left_out_short, left.join(", ")) };
        let count = words.count(roi.voxels);
        let how = match (&roi.amended, &roi.segmenter) {
            (Some(amended), _) => format!("{} {} ({})", words.amended_by, amended.by, amended.why),
            (None, Some(segmenter)) => format!("{} {}", words.segmented_by, segmenter.name),
            (None, None) => words.method(&roi.method),
        };
        list.push(pair(words.region, format!("{how}; {count} {}{volume}{left}", words.voxels)));
        // One region is the whole; of several each is worth its own line.
        for region in roi.regions.iter().filter(|_| roi.regions.len() > 1) {
            let median = region.median_r2star_per_s.map_or("—".to_owned(), |r| format!("{} /s", words.rate(r)));
            let area = words.number(region.area_mm2 / 100.0, 1);
            list.push(pair(&region.name, format!("{} {median}, {area} cm²", words.r2star)));
        }
    }
    Section { title: words.acquisition, wide: false, blocks: vec![Block::Facts(list)] }
}

fn calibration(view: &View<'_>, words: &Words) -> Option<Section> {
    let lic = view.result.lic_mg_per_g.as_ref()?;
    let mut list = vec![pair(words.calibration, lic.calibration.clone()), pair(words.source, lic.source.clone())];
    list.extend(view.equation.as_ref().map(|e| pair(words.equation, e.clone())));
    Some(Section { title: words.calibration, wide: false, blocks: vec![Block::Facts(list)] })
}

/// What the uncertainty is made of: each contribution with where it is from, as one standard deviation.
fn budget(view: &View<'_>, words: &Words) -> Option<Section> {
    if view.budget.is_empty() || view.result.lic_mg_per_g.is_none() {
        return None;
    }
    let head = [words.standard_uncertainty, "R2*, /s", "LIC, mg/g"];
    let cell = |v: Option<f64>, decimals: usize| v.map_or("—".to_owned(), |v| words.number(v, decimals));
    let row = |line: &BudgetLine| {
        let what = format!("{}: {}", line.what, line.source);
        vec![what, cell(line.r2star_per_s, 1), cell(line.lic_mg_per_g, 2)]
    };
    // What rounds to nothing shares a row.
    let small = |v: Option<f64>, least: f64| v.is_some_and(|v| v < least);
    let (nothing, worth): (Vec<&BudgetLine>, Vec<&BudgetLine>) =
        view.budget.iter().partition(|l| small(l.r2star_per_s, 0.05) && small(l.lic_mg_per_g, 0.005));
    let mut rows: Vec<Vec<String>> = worth.into_iter().map(row).collect();
    if !nothing.is_empty() {
        let names: Vec<&str> = nothing.iter().map(|line| line.what.as_str()).collect();
        let bound = |v: f64, decimals: usize| format!("< {}", words.number(v, decimals));
        rows.push(vec![names.join("; "), bound(0.05, 2), bound(0.005, 3)]);
    }
    let table = Block::Table { head: head.map(str::to_owned).to_vec(), rows, widths: vec![0.72, 0.12, 0.16] };
    Some(Section { title: words.budget, wide: false, blocks: vec![table] })
}

/// A digest as far as it takes to tell it from any other here; the result document has it whole.
fn brief(digest: &str) -> String {
    let hex = digest.strip_prefix("sha256:").unwrap_or(digest);
    hex.get(..20).map_or_else(|| digest.to_owned(), |head| format!("sha256 {head}…"))
}

fn provenance(view: &View<'_>, words: &Words) -> Section {
    let result = &view.result;
    let software = format!("{} {} ({})", result.software.name, result.software.version, result.software.commit);
    let mut list = vec![pair(words.software, software), pair(words.digest, brief(&result.input.digest))];
    list.extend(result.profile.as_ref().map(|p| pair(words.profile_digest, brief(&p.digest))));
    list.extend(result.roi.as_ref().map(|r| pair(words.region_digest, brief(&r.digest))));
    list.extend(result.predecessor.as_ref().map(|p| pair(words.predecessor, brief(&p.digest))));
    Section { title: words.provenance, wide: false, blocks: vec![Block::Facts(list)] }
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
