//! The patient's course: earlier readings in today's terms, the change since, the rate, what is due.

use super::calibration::Calibration;
use super::due::{Due, due};
use super::events::{CourseEvents, Event};
use super::follow_up::{Condition, FollowUp, JudgeChange};
use super::past::{PastReading, PatientKey, Relation};
use super::stats::{Z95, weighted_line};
use crate::study::text::plain;
use crate::study::{Finding, Severity, Stage};
use jiff::civil::Date;
use serde::Serialize;

/// Field strengths closer than this are the same field.
const SAME_FIELD_T: f64 = 0.05;

/// One reading on the course, in today's calibration where that is possible.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CoursePoint {
    /// `YYYY-MM-DD`.
    pub date: String,
    /// mg/g.
    pub lic_mg_per_g: f64,
    /// How it is to be read.
    pub relation: Relation,
    /// 95 % repeat interval of this point alone: 1.96 within-subject standard deviations either side.
    pub low: Option<f64>,
    /// See `low`.
    pub high: Option<f64>,
    /// Median R2* in /s.
    pub r2star_per_s: Option<f64>,
    /// Tesla.
    pub field_strength_t: Option<f64>,
    /// Maker and model.
    pub scanner: String,
    /// The calibration the LIC is expressed in.
    pub calibration: Option<String>,
    /// The LIC as it was reported, where today's calibration says otherwise.
    pub reported_lic_mg_per_g: Option<f64>,
    /// For values from elsewhere: how they were measured. Shown, not tested.
    pub method: Option<String>,
    /// What differs from today's scan and widens the comparison.
    pub differs: Vec<String>,
    /// Within-subject standard deviation in mg/g.
    #[serde(skip)]
    pub wsd: f64,
    /// Standard deviation that the differences add, mg/g.
    #[serde(skip)]
    pub added_sd: f64,
    #[serde(skip)]
    day: Date,
}

impl CoursePoint {
    /// Whether it can be compared with today's reading.
    pub fn is_tested(&self) -> bool {
        self.method.is_none() && self.relation == Relation::Equal
    }

    /// Days since 1970-01-01, for a time axis.
    pub fn day_number(&self) -> i64 {
        days_between(Date::constant(1970, 1, 1), self.day)
    }
}

/// The change from an earlier reading to today's.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    /// Date of the earlier reading.
    pub since: String,
    /// The treatment change it is measured from, if any.
    pub since_event: Option<String>,
    /// Earlier LIC, mg/g, in today's calibration where possible.
    pub from_mg_per_g: f64,
    /// Today's LIC, mg/g.
    pub to_mg_per_g: f64,
    /// Today minus then, mg/g.
    pub difference_mg_per_g: f64,
    /// 95 % interval of the difference.
    pub low: f64,
    /// See `low`.
    pub high: f64,
    /// An unchanged patient differs by less in 95 of 100 pairs; mg/g, or percent where judged relatively.
    pub reference_change_value: f64,
    /// `mg/g` or `percent`.
    pub reference_change_unit: String,
    /// How it was judged.
    pub judged: JudgeChange,
    /// Whether it exceeds the reference change value.
    pub changed: bool,
    /// What differs between the two scans and widens the comparison.
    pub widened_by: Vec<String>,
    /// As a person reads it.
    pub text: String,
}

/// The trend over three or more readings.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Rate {
    /// mg/g per year.
    pub per_year: f64,
    /// 95 % interval.
    pub low: f64,
    /// See `low`.
    pub high: f64,
    /// LIC the line gives on the day of today's scan.
    pub today_mg_per_g: f64,
    /// Readings used, today's included.
    pub points: usize,
    /// As a person reads it.
    pub text: String,
}

/// The whole course.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Course {
    /// Earlier readings, oldest first.
    pub previous: Vec<CoursePoint>,
    /// Today's reading, where it has a LIC.
    pub current: Option<CoursePoint>,
    /// From the latest earlier reading that can be compared.
    pub change: Option<Change>,
    /// From the last reading before treatment changed, where that is another one.
    pub change_since_event: Option<Change>,
    /// With three or more readings.
    pub rate: Option<Rate>,
    /// Events, oldest first.
    pub events: Vec<Event>,
    /// The patient's condition, where known.
    pub condition: Option<Condition>,
    /// The earliest rule for the next scan.
    pub next_scan: Option<Due>,
    /// Every rule that applies, earliest first.
    pub due: Vec<Due>,
}

/// Today's scan as the course needs it.
#[derive(Clone, Copy, Debug)]
pub struct Today<'a> {
    /// Whose, where, with what; `lic_mg_per_g` is `None` where it is withheld.
    pub reading: &'a PastReading,
    /// Today's calibration; earlier R2* at the same field are read with it.
    pub calibration: Option<&'a Calibration>,
}

/// Puts earlier readings and today's on one scale and compares them. Readings of another patient, of the same study
/// and of later dates are left out, the first with a finding.
pub fn course(
    today: &Today<'_>,
    history: &[PastReading],
    events: &[CourseEvents],
    rules: &FollowUp,
) -> (Course, Vec<Finding>) {
    let mut findings = Vec::new();
    let mut course = Course::default();
    for file in events {
        let owner = file.patient_id.as_ref();
        if owner.is_some() && owner != today.reading.patient.id.as_ref() {
            findings.push(
                Finding::new(
                    Stage::Reading,
                    Severity::Warn,
                    "events-of-another-patient",
                    "The course events beside this series name another patient; they were not used.",
                )
                .advice("Check which patient the events file belongs to."),
            );
            continue;
        }
        course.condition = course.condition.or(file.condition);
        course.events.extend(file.events.iter().cloned());
    }
    course.events.sort_by(|a, b| a.date.cmp(&b.date));
    let now = today.reading.date.as_deref().and_then(|d| d.parse::<Date>().ok());
    let Some(now) = now else {
        if !history.is_empty() {
            findings.push(Finding::new(
                Stage::Reading,
                Severity::Note,
                "study-date-missing",
                "The study has no date, so it cannot be placed among the patient's earlier readings.",
            ));
        }
        return (course, findings);
    };
    let mine: Vec<&PastReading> = history.iter().filter(|past| belongs(past, today.reading, &mut findings)).collect();
    for past in mine {
        let same = past.study_uid.is_some() && past.study_uid == today.reading.study_uid;
        let Some(day) = past.date.as_deref().and_then(|d| d.parse::<Date>().ok()) else { continue };
        if same || day > now {
            continue;
        }
        course.previous.extend(point(past, day, today, rules));
    }
    course.previous.sort_by_key(|a| a.day);
    course.current = point(today.reading, now, today, rules);
    if let Some(current) = course.current.clone().filter(CoursePoint::is_tested) {
        let tested: Vec<&CoursePoint> = course.previous.iter().filter(|p| p.is_tested()).collect();
        let event = course.events.iter().rev().find(|e| e.kind.changes_treatment() && e.date <= current.date);
        let baseline = event.and_then(|e| tested.iter().rev().find(|p| p.date <= e.date).copied());
        let latest = tested.last().copied();
        let named = |p: &CoursePoint| event.filter(|_| baseline.is_some_and(|b| std::ptr::eq(b, p)));
        course.change = latest.map(|p| change(p, &current, named(p), rules));
        course.change_since_event =
            baseline.filter(|b| latest.is_none_or(|l| !std::ptr::eq(*b, l))).map(|b| change(b, &current, event, rules));
        course.rate = rate(&tested, &current);
    }
    course.due = due(course.current.as_ref(), now, &course.events, rules);
    course.next_scan = course.due.first().cloned();
    (course, findings)
}

/// Whether a stored reading is this patient's. A key that matches with another birth date or sex is said and
/// never merged; a reading under another key was supplied by mistake and is said too.
fn belongs(past: &PastReading, today: &PastReading, findings: &mut Vec<Finding>) -> bool {
    let (a, b): (&PatientKey, &PatientKey) = (&past.patient, &today.patient);
    if a.id.is_none() || a.id != b.id || (a.issuer.is_some() && b.issuer.is_some() && a.issuer != b.issuer) {
        push_once(findings, "history-of-another-patient", || {
            Finding::new(
                Stage::Reading,
                Severity::Warn,
                "history-of-another-patient",
                "An earlier reading that was supplied carries another patient identifier or issuer; it was not used.",
            )
            .attribute("(0010,0020) Patient ID, (0010,0021) Issuer of Patient ID")
            .advice("Check the history that was supplied.")
        });
        return false;
    }
    let differ = |x: &Option<String>, y: &Option<String>| x.is_some() && y.is_some() && x != y;
    if differ(&a.birth_date, &b.birth_date) || differ(&a.sex, &b.sex) {
        push_once(findings, "patient-identity-mismatch", || {
            Finding::new(
                Stage::Reading,
                Severity::Warn,
                "patient-identity-mismatch",
                "An earlier reading under this patient identifier has another birth date or sex; it was not merged.",
            )
            .attribute("(0010,0030) Patient's Birth Date, (0010,0040) Patient's Sex")
            .advice("Find out whether two patients share the identifier or one header is wrong.")
        });
        return false;
    }
    true
}

fn push_once(findings: &mut Vec<Finding>, code: &str, make: impl FnOnce() -> Finding) {
    if findings.iter().all(|f| f.code != code) {
        findings.push(make());
    }
}

/// A stored reading in today's terms. `None` where it holds no LIC.
fn point(past: &PastReading, day: Date, today: &Today<'_>, rules: &FollowUp) -> Option<CoursePoint> {
    let reported = past.lic_mg_per_g?;
    let now = today.reading;
    let field = past.scanner.field_strength_t;
    let same_field = match (field, now.scanner.field_strength_t) {
        (Some(a), Some(b)) => (a - b).abs() <= SAME_FIELD_T,
        _ => false,
    };
    // An earlier R2* at the same field is read with today's calibration, so that no difference between
    // calibrations enters the comparison. A bound stays as it was reported.
    let again = today.calibration.filter(|_| same_field && past.relation == Relation::Equal).zip(past.r2star_per_s);
    let lic = again.map_or(reported, |(calibration, r)| calibration.equation.lic(r).max(0.0));
    let imported = past.is_imported();
    let (mut differs, mut variance) = (Vec::new(), 0.0);
    let mut add = |text: String, sd: f64| {
        differs.push(text);
        variance += sd * sd;
    };
    // The slope of LIC with relative R2* is R2* · dLIC/dR2*: the intercept does not scale.
    let scaled = again.map_or(lic, |(calibration, r)| r * calibration.equation.slope(r));
    let c = &rules.changes;
    let both = |a: &Option<String>, b: &Option<String>| a.is_some() && b.is_some() && a != b;
    let another_scanner =
        both(&past.scanner.serial, &now.scanner.serial) || both(&past.scanner.model, &now.scanner.model);
    if !imported {
        if !same_field {
            let from = field.map_or("unknown field strength".to_owned(), |f| format!("{} T", plain(f)));
            let at_3t = past.r2star_per_s.map_or(0.0, |r| {
                let r_at_3t = if field.is_some_and(|f| f < 2.0) { 2.0 * r } else { r };
                c.field_strength.per_s_at_3t / r_at_3t.max(1.0)
            });
            add(format!("field strength ({from})"), lic * libm::hypot(c.field_strength.percent, 100.0 * at_3t) / 100.0);
        }
        if another_scanner {
            add(format!("scanner ({})", past.scanner.words()), 0.0);
        } else if both(&past.scanner.software, &now.scanner.software) {
            add("scanner software".to_owned(), scaled * c.software.fraction());
        }
        if past.profile.as_ref().zip(now.profile.as_ref()).is_some_and(|(past, now)| !past.same(now)) {
            add("protocol profile".to_owned(), scaled * c.profile.fraction());
        }
        if past.model.is_some() && now.model.is_some() && past.model != now.model {
            add("signal model".to_owned(), scaled * c.model.fraction());
        }
        if again.is_none() && past.calibration != now.calibration {
            add("calibration".to_owned(), lic * c.calibration.fraction());
        }
    }
    let published =
        if another_scanner { &rules.repeatability.another_scanner } else { &rules.repeatability.same_scanner };
    let own = past.r2star_se_per_s.zip(past.r2star_per_s).map_or(0.0, |(se, r)| scaled * se / r.max(1e-9));
    let wsd = (scaled * published.fraction()).max(own);
    let shown = (!imported && past.relation == Relation::Equal).then_some(wsd);
    Some(CoursePoint {
        date: day.to_string(),
        lic_mg_per_g: lic,
        relation: past.relation,
        low: shown.map(|sd| (lic - Z95 * sd).max(0.0)),
        high: shown.map(|sd| lic + Z95 * sd),
        r2star_per_s: past.r2star_per_s,
        field_strength_t: field,
        scanner: past.scanner.words(),
        calibration: again.map(|(calibration, _)| calibration.name.clone()).or_else(|| past.calibration.clone()),
        reported_lic_mg_per_g: ((lic - reported).abs() > 0.005).then_some(reported),
        method: past.method.clone(),
        differs,
        wsd,
        added_sd: variance.sqrt(),
        day,
    })
}

fn change(from: &CoursePoint, to: &CoursePoint, event: Option<&Event>, rules: &FollowUp) -> Change {
    let (a, b) = (from.lic_mg_per_g, to.lic_mg_per_g);
    // Where the two scanners differ, both scans vary as scans on different scanners do.
    let other = from.differs.iter().any(|d| d.starts_with("scanner ("));
    let ratio = rules.repeatability.another_scanner.percent / rules.repeatability.same_scanner.percent;
    let now_wsd = if other { to.wsd * ratio.max(1.0) } else { to.wsd };
    let sd = (from.wsd * from.wsd + now_wsd * now_wsd + from.added_sd * from.added_sd).sqrt();
    let difference = b - a;
    let (rcv, unit, changed) = match rules.judge_change {
        JudgeChange::Absolute => (Z95 * sd, "mg/g", difference.abs() > Z95 * sd),
        JudgeChange::Relative => {
            let cv = libm::hypot(libm::hypot(from.wsd, from.added_sd) / a.max(1e-9), now_wsd / b.max(1e-9));
            let ratio = libm::log(b.max(1e-9) / a.max(1e-9));
            (100.0 * libm::expm1(Z95 * cv), "percent", ratio.abs() > Z95 * cv)
        }
    };
    let since_event = event.map(|e| match &e.text {
        Some(text) => format!("{} on {} ({})", e.kind.words(), e.date, crate::study::text::safe(text, 80)),
        None => format!("{} on {}", e.kind.words(), e.date),
    });
    let direction = if difference < 0.0 { "fell" } else { "rose" };
    let since = since_event.as_ref().map_or(format!("since {}", from.date), |e| format!("since {e}"));
    let verdict = if changed {
        format!(
            "LIC {direction} by {} mg/g {since}: more than two scans of an unchanged patient differ by",
            plain2(difference.abs())
        )
    } else {
        format!(
            "No change can be told {since}: {} mg/g is within what two scans of an unchanged patient differ by",
            signed(difference)
        )
    };
    let rcv_words = if unit == "mg/g" { format!("{} mg/g", plain2(rcv)) } else { format!("{} %", plain2(rcv)) };
    let again = from.reported_lic_mg_per_g.map_or(String::new(), |reported| {
        format!(
            " The earlier R2* was read again with today's calibration ({} mg/g as reported then).",
            plain2(reported)
        )
    });
    let wider = if from.differs.is_empty() {
        String::new()
    } else {
        format!(" The two scans differ in {}, which widens this.", from.differs.join(", "))
    };
    Change {
        since: from.date.clone(),
        since_event,
        from_mg_per_g: a,
        to_mg_per_g: b,
        difference_mg_per_g: difference,
        low: difference - Z95 * sd,
        high: difference + Z95 * sd,
        reference_change_value: rcv,
        reference_change_unit: unit.to_owned(),
        judged: rules.judge_change,
        changed,
        widened_by: from.differs.clone(),
        text: format!("{verdict} (reference change value {rcv_words} at 95 %).{again}{wider}"),
    }
}

fn rate(tested: &[&CoursePoint], current: &CoursePoint) -> Option<Rate> {
    let points: Vec<&CoursePoint> = tested.iter().copied().chain([current]).collect();
    let years: Vec<f64> = points.iter().map(|p| days_between(current.day, p.day) as f64 / 365.25).collect();
    let lic: Vec<f64> = points.iter().map(|p| p.lic_mg_per_g).collect();
    let variance: Vec<f64> = points.iter().map(|p| p.wsd * p.wsd + p.added_sd * p.added_sd).collect();
    let line = weighted_line(&years, &lic, &variance)?;
    let reach = Z95 * line.slope_se;
    let (low, high) = (line.slope - reach, line.slope + reach);
    let count = points.len();
    let text = if low <= 0.0 && high >= 0.0 {
        let [low, high] = [low, high].map(signed);
        format!("Over {count} readings no trend can be told: between {low} and {high} mg/g per year (95 %).")
    } else {
        let direction = if line.slope < 0.0 { "falls" } else { "rises" };
        let (least, most) = (low.abs().min(high.abs()), low.abs().max(high.abs()));
        let [slope, least, most] = [line.slope.abs(), least, most].map(plain2);
        format!("Over {count} readings LIC {direction} by {slope} mg/g per year (95 % interval {least} to {most}).")
    };
    Some(Rate { per_year: line.slope, low, high, today_mg_per_g: line.intercept, points: points.len(), text })
}

/// Days from `a` to `b`.
fn days_between(a: Date, b: Date) -> i64 {
    // A date difference in days cannot overflow.
    b.since((jiff::Unit::Day, a)).map_or(0, |span| i64::from(span.get_days()))
}

/// One digit after the point, two below 1, as LIC is given everywhere: it is not known better.
pub(super) fn plain2(value: f64) -> String {
    if value.abs() < 1.0 { format!("{value:.2}") } else { format!("{value:.1}") }
}

/// The same with its sign.
fn signed(value: f64) -> String {
    format!("{}{}", if value < 0.0 { "−" } else { "+" }, plain2(value.abs()))
}
