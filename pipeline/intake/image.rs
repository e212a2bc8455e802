//! What an MR object says about each of its frames, before any pixel is decoded.

use super::component::{self, Component};
use super::dataset::Node;
use super::facts;
use super::fault::Fault;
use super::limits::Limits;
use super::number;
use super::object::Object;
use super::pixels::PixelFormat;
use super::vendor;
use super::view::View;
use super::wire::Tag;
use crate::study::{Header, Vector, dot};

pub(super) const ECHO_TIME: Tag = 0x0018_0081;
pub(super) const EFFECTIVE_ECHO_TIME: Tag = 0x0018_9082;
const PER_FRAME: Tag = 0x5200_9230;
const SHARED: Tag = 0x5200_9229;
const POSITION: Tag = 0x0020_0032;
const ORIENTATION: Tag = 0x0020_0037;
const SPACING: Tag = 0x0028_0030;
const FRAMES: Tag = 0x0028_0008;
pub(super) const SLOPE: Tag = 0x0028_1053;
const INTERCEPT: Tag = 0x0028_1052;

/// The SOP classes that hold MR images.
const MR: &str = "1.2.840.10008.5.1.4.1.1.4";
const ENHANCED_MR: &str = "1.2.840.10008.5.1.4.1.1.4.1";
const LEGACY_CONVERTED_MR: &str = "1.2.840.10008.5.1.4.1.1.4.4";

/// What kind of object a SOP class is, as far as this program cares.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Kind {
    /// An MR image of one of the three classes.
    Image {
        /// Whether frames have functional groups.
        multi_frame: bool,
    },
    /// A segmentation: a region delivered beside the series.
    Segmentation,
    /// A directory of media: never trusted as the list of what is there.
    Directory,
    /// Anything else, in words.
    Other(String),
}

impl Kind {
    /// Of this SOP class.
    pub fn of(class: &str) -> Self {
        match class {
            MR => Self::Image { multi_frame: false },
            ENHANCED_MR | LEGACY_CONVERTED_MR => Self::Image { multi_frame: true },
            "1.2.840.10008.5.1.4.1.1.66.4" => Self::Segmentation,
            "1.2.840.10008.1.3.10" => Self::Directory,
            other => Self::Other(other_class(other)),
        }
    }
}

/// What lies beside MR images in real exports.
const OTHER_CLASSES: &[(&str, &str)] = &[
    ("1.2.840.10008.5.1.4.1.1.66", "raw data"),
    ("1.2.840.10008.5.1.4.1.1.4.2", "MR spectroscopy"),
    ("1.2.840.10008.5.1.4.1.1.4.3", "an enhanced MR colour image"),
    ("1.2.840.10008.5.1.4.1.1.7", "a secondary capture"),
    ("1.2.840.10008.5.1.4.1.1.7.4", "a secondary capture"),
    ("1.2.840.10008.5.1.4.1.1.11.1", "a presentation state"),
    ("1.2.840.10008.5.1.4.1.1.30", "a parametric map"),
    ("1.2.840.10008.5.1.4.1.1.104.1", "an encapsulated PDF"),
    ("1.2.840.10008.5.1.4.1.1.2", "a CT image"),
    ("1.2.840.10008.5.1.4.1.1.2.1", "a CT image"),
];

fn other_class(class: &str) -> String {
    let known = OTHER_CLASSES.iter().find(|(uid, _)| *uid == class).map(|(_, what)| *what);
    let report = class.starts_with("1.2.840.10008.5.1.4.1.1.88.").then_some("a structured report");
    let what = known.or(report).map_or_else(|| format!("an object of class {class}"), str::to_owned);
    format!("not an MR image: {what}")
}

/// Where a frame lies.
#[derive(Clone, Debug, PartialEq)]
pub struct Geometry {
    /// Rows, columns.
    pub size: [usize; 2],
    /// Distance between rows, between columns, mm.
    pub spacing: [f64; 2],
    /// Direction of increasing column index.
    pub along_row: Vector,
    /// Direction of increasing row index.
    pub along_column: Vector,
    /// Centre of the first pixel.
    pub position: Vector,
    /// Slice Thickness, mm.
    pub thickness: Option<f64>,
}

/// What a frame says about the meaning of its stored values.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scale {
    /// Rescale Slope.
    pub slope: Option<f64>,
    /// Rescale Intercept.
    pub intercept: Option<f64>,
    /// A vendor's documented private scale slope.
    pub private: Option<f64>,
    /// Real-world value slope and intercept.
    pub real_world: Option<[f64; 2]>,
    /// A vendor's scale factor of unpublished meaning.
    pub undocumented: Option<f64>,
}

/// One frame.
#[derive(Clone, Debug)]
pub struct Frame {
    /// Frame number from 1 in a multi-frame object; `None` in a classic image.
    pub number: Option<u32>,
    /// Place among the frames of its file.
    pub index: usize,
    /// Echo time in ms.
    pub echo_time: Option<f64>,
    /// Component, where it can be told.
    pub component: Option<Component>,
    /// Why it is no echo of a decay.
    pub set_aside: Option<String>,
    /// Words of the image type that are no component.
    pub words: Vec<String>,
    /// Whether the scanner normalised it.
    pub normalised: Option<bool>,
    /// Where it lies.
    pub geometry: Geometry,
    /// What its stored values mean.
    pub scale: Scale,
    /// Acquisition Number.
    pub acquisition: Option<i64>,
    /// Temporal Position.
    pub temporal: Option<i64>,
    /// Acquisition time, seconds of the day.
    pub time: Option<f64>,
    /// Repetition time (ms), flip angle (degrees), bandwidth (Hz/px): what one scan has in common.
    pub settings: [Option<f64>; 3],
}

/// One MR file: its facts and frames.
#[derive(Debug)]
pub struct ImageFile {
    /// SOP Class UID.
    pub class_uid: String,
    /// SOP Instance UID.
    pub uid: String,
    /// Series Instance UID.
    pub series_uid: String,
    /// Frame of Reference UID.
    pub frame_of_reference: Option<String>,
    /// Instance Number, for naming the image to a person.
    pub instance_number: Option<i64>,
    /// What the headers say.
    pub header: Header,
    /// How its pixels are stored.
    pub format: PixelFormat,
    /// What was odd about the file but harmless.
    pub oddities: Vec<Fault>,
    /// Why its pixels cannot feed a fit though they can be decoded: a lossy history.
    pub lossy: Option<String>,
    /// Echo count the scanner states privately.
    pub stated_echoes: Option<u32>,
    /// Images in Acquisition: how many the series has in all.
    pub stated_images: Option<usize>,
    /// Whether the field strength was written in gauss.
    pub gauss: bool,
    /// A character set that is not one of the standard's.
    pub unknown_charset: Option<String>,
    /// Its frames.
    pub frames: Vec<Frame>,
}

/// Reads the facts of an MR object.
pub fn read(object: &Object, multi_frame: bool, limits: &Limits) -> Result<ImageFile, Fault> {
    let top = object.set.root();
    let required = |tag| top.uid(tag)?.ok_or_else(|| Fault::new("missing-uid", "no UID is given").tag(tag));
    let (class_uid, uid) = (required(0x0008_0016)?, required(0x0008_0018)?);
    let (_, series_uid) = (required(0x0020_000D)?, required(0x0020_000E)?);
    let format = PixelFormat::read(top, limits)?;
    let frames = frames(top, multi_frame, &format, limits)?;
    let shared = top.items(SHARED).next();
    let first = View { top, shared, own: top.items(PER_FRAME).next() };
    Ok(ImageFile {
        class_uid,
        uid,
        series_uid,
        frame_of_reference: top.uid(0x0020_0052)?,
        instance_number: top.whole(0x0020_0013).ok().flatten(),
        header: facts::header(first),
        format,
        oddities: object.oddities.clone(),
        lossy: lossy(top),
        stated_echoes: vendor::philips::echoes(first).or_else(|| vendor::ge::echoes(first)),
        stated_images: top.whole(0x0020_1002).ok().flatten().and_then(|n| usize::try_from(n).ok()),
        gauss: facts::in_gauss(first),
        unknown_charset: object.set.charset.unknown().map(str::to_owned),
        frames,
    })
}

/// Traces of lossy compression somewhere in the image's past.
fn lossy(top: Node<'_>) -> Option<String> {
    let stated = top.text(0x0028_2110).is_some_and(|t| t == "01");
    let traces = [0x0028_2112, 0x0028_2114].iter().any(|&tag| top.text(tag).is_some());
    (stated || traces).then(|| "the image was compressed with loss earlier".to_owned())
}

fn frames(top: Node<'_>, multi_frame: bool, format: &PixelFormat, limits: &Limits) -> Result<Vec<Frame>, Fault> {
    let count = top.whole(FRAMES)?;
    let bad = |n: i64| Fault::value("frame-count", FRAMES, &format!("1 to {} frames", limits.frames), &n.to_string());
    if let Some(n) = count
        && (n < 1 || n as u64 > limits.frames)
    {
        return Err(bad(n));
    }
    if !multi_frame {
        return match count {
            None | Some(1) => Ok(vec![frame(View { top, shared: None, own: None }, 0, false, format)?]),
            Some(n) => Err(Fault::value("frame-count", FRAMES, "one frame in a classic image", &n.to_string())),
        };
    }
    let shared = top.items(SHARED).next();
    let groups: Vec<Node<'_>> = top.items(PER_FRAME).collect();
    let count = count.ok_or_else(|| Fault::new("frame-count", "no number of frames is given").tag(FRAMES))?;
    if groups.len() as i64 != count {
        let text = format!("{} functional groups for {count} frames", groups.len());
        return Err(Fault::new("frame-count", text).tag(PER_FRAME));
    }
    let views = groups.into_iter().enumerate();
    views.map(|(i, own)| frame(View { top, shared, own: Some(own) }, i, true, format)).collect()
}

fn frame(view: View<'_>, index: usize, multi_frame: bool, format: &PixelFormat) -> Result<Frame, Fault> {
    let number = multi_frame.then(|| index as u32 + 1);
    let named = |fault: Fault| match number {
        Some(n) => Fault { text: format!("frame {n}: {}", fault.text).into(), ..fault },
        None => fault,
    };
    let words = component::image_type(view);
    let component = component::component(view, &words);
    let mut set_aside = component::set_aside(&words);
    if set_aside.is_none() && component.is_none() {
        set_aside = Some("neither magnitude, phase, real nor imaginary by its header".to_owned());
    }
    // Pictures that no decay is made of may lack what an echo needs.
    let echo_time = match echo_time(view) {
        Ok(time) => time,
        Err(fault) if set_aside.is_none() => return Err(named(fault)),
        Err(_) => None,
    };
    if set_aside.is_none() && multi_frame && echo_time == Some(0.0) {
        set_aside = Some("echo time 0: a computed map".to_owned());
    }
    if set_aside.is_none() {
        match echo_time {
            None => return Err(named(Fault::new("echo-time", "no echo time is given").tag(ECHO_TIME))),
            Some(t) if t <= 0.0 || t > 10_000.0 => {
                let fault = Fault::value("echo-time", ECHO_TIME, "a time above 0 ms", &t.to_string());
                return Err(named(fault));
            }
            Some(_) => {}
        }
    }
    Ok(Frame {
        number,
        index,
        echo_time,
        component,
        normalised: facts::normalised(view, &words),
        words: words.into_iter().filter(|w| !w.is_empty()).collect(),
        geometry: geometry(view, format).map_err(named)?,
        scale: scale(view).map_err(named)?,
        set_aside,
        acquisition: [0x0020_9156, 0x0020_0012].iter().find_map(|&t| view.lenient(t)).map(|n| n as i64),
        temporal: [0x0020_9128, 0x0020_0100].iter().find_map(|&t| view.lenient(t)).map(|n| n as i64),
        time: time(view),
        settings: [0x0018_0080, 0x0018_1314, 0x0018_0095].map(|tag| view.lenient(tag)),
    })
}

/// Effective Echo Time of the frame, or the classic Echo Time.
fn echo_time(view: View<'_>) -> Result<Option<f64>, Fault> {
    match view.decimal(EFFECTIVE_ECHO_TIME)? {
        Some(time) => Ok(Some(time)),
        None => view.decimal(ECHO_TIME),
    }
}

fn time(view: View<'_>) -> Option<f64> {
    // A date-time has its clock after eight digits of date.
    let stamp = view.text(0x0018_9074).and_then(|t| number::seconds_of_day(t.get(8..)?.split(['+', '-']).next()?));
    stamp.or_else(|| view.text(0x0008_0032).and_then(|t| number::seconds_of_day(&t)))
}

fn geometry(view: View<'_>, format: &PixelFormat) -> Result<Geometry, Fault> {
    let vector = |values: &[f64]| -> Option<Vector> { values.try_into().ok() };
    let numbers = |tag, wanted: &str, count: usize| -> Result<Vec<f64>, Fault> {
        let found = view.decimals(tag)?.ok_or_else(|| Fault::new("geometry", "missing").tag(tag))?;
        if found.len() == count {
            return Ok(found);
        }
        Err(Fault::value("geometry", tag, wanted, &format!("{} values", found.len())))
    };
    let orientation = numbers(ORIENTATION, "six direction cosines", 6)?;
    let (u, v) = orientation.split_at(3);
    let position = numbers(POSITION, "three coordinates", 3)?;
    let spacing = numbers(SPACING, "two distances", 2)?;
    let (Some(u), Some(v), Some(position)) = (vector(u), vector(v), vector(&position)) else {
        return Err(Fault::new("geometry", "incomplete").tag(ORIENTATION));
    };
    let unit = |a: Vector| (dot(a, a).sqrt() - 1.0).abs() < 1e-3;
    if !(unit(u) && unit(v) && dot(u, v).abs() < 1e-3) {
        return Err(Fault::new("geometry", "not two perpendicular unit vectors").tag(ORIENTATION));
    }
    let [row, column] = spacing.as_slice() else {
        return Err(Fault::new("geometry", "incomplete").tag(SPACING));
    };
    if !(*row > 0.0 && *column > 0.0 && *row < 1000.0 && *column < 1000.0) {
        return Err(Fault::value("geometry", SPACING, "distances above 0 mm", &format!("{row}\\{column}")));
    }
    Ok(Geometry {
        size: [format.rows, format.columns],
        spacing: [*row, *column],
        along_row: u,
        along_column: v,
        position,
        thickness: view.lenient(0x0018_0050).filter(|t| *t > 0.0),
    })
}

fn scale(view: View<'_>) -> Result<Scale, Fault> {
    if view.top.has(0x0028_3000) {
        let text = "a table of values in place of a rescale slope is not supported";
        return Err(Fault::new("modality-table", text).tag(0x0028_3000));
    }
    let present = |tag| view.level(tag).is_some();
    let (slope, intercept) = (view.decimal(SLOPE)?, view.decimal(INTERCEPT)?);
    for (tag, value) in [(SLOPE, slope), (INTERCEPT, intercept)] {
        if present(tag) && value.is_none() {
            return Err(Fault::value("bad-scale", tag, "a number", ""));
        }
    }
    if let Some(s) = slope
        && !(s > 0.0 && s < 1e30)
    {
        return Err(Fault::value("bad-scale", SLOPE, "a slope above 0", &s.to_string()));
    }
    let real_world = view.item(0x0040_9096).and_then(|item| {
        let (slope, intercept) = (item.lenient(0x0040_9225)?, item.lenient(0x0040_9224)?);
        (slope > 0.0).then_some([slope, intercept])
    });
    Ok(Scale {
        slope,
        intercept,
        private: vendor::philips::scale_slope(view)?,
        real_world,
        undocumented: vendor::undocumented_scale(view)?,
    })
}
