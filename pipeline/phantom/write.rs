//! The scan as DICOM files, in the shapes that exports come in. The only part of the room that touches a disk.

use super::header;
use super::recipe::{Components, Format};
use super::scan::Scan;
use super::{write_classic, write_enhanced};
use dicom_core::{DataElement, PrimitiveValue, VR, value::DataSetSequence};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject, Tag};
use rayon::prelude::*;
use std::io;
use std::path::{Path, PathBuf};

/// Which part of the complex signal an image shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Component {
    Magnitude,
    /// A copy of the magnitude, divided by the coils' sensitivity.
    Normalised,
    Phase,
    Real,
    Imaginary,
}

impl Component {
    /// The last values of Image Type.
    pub fn image_type(self) -> &'static str {
        match self {
            Self::Magnitude => "M",
            Self::Normalised => "M\\NORM",
            Self::Phase => "P",
            Self::Real => "R",
            Self::Imaginary => "I",
        }
    }

    /// Complex Image Component.
    pub fn word(self) -> &'static str {
        match self {
            Self::Magnitude | Self::Normalised => "MAGNITUDE",
            Self::Phase => "PHASE",
            Self::Real => "REAL",
            Self::Imaginary => "IMAGINARY",
        }
    }
}

/// One image: slice and echo counted from 0.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    pub component: Component,
    pub slice: usize,
    pub echo: usize,
}

/// Stored numbers of one image: the bit patterns, and how to get back.
pub(super) struct Stored {
    pub pixels: Vec<u16>,
    pub signed: bool,
    pub slope: f64,
    pub intercept: f64,
}

/// A data set under construction.
pub(super) struct Object(InMemDicomObject);

impl Default for Object {
    fn default() -> Self {
        Self(InMemDicomObject::new_empty())
    }
}

impl Object {
    pub fn text(mut self, tag: Tag, vr: VR, text: impl Into<String>) -> Self {
        self.0.put_str(tag, vr, text);
        self
    }

    pub fn empty(mut self, tag: Tag, vr: VR) -> Self {
        self.0.put(DataElement::new(tag, vr, PrimitiveValue::Empty));
        self
    }

    /// Decimal strings, at most 16 characters each.
    pub fn decimals(self, tag: Tag, values: &[f64]) -> Self {
        let words: Vec<String> = values.iter().map(|&v| decimal(v)).collect();
        self.text(tag, VR::DS, words.join("\\"))
    }

    pub fn integer(self, tag: Tag, value: i64) -> Self {
        self.text(tag, VR::IS, value.to_string())
    }

    pub fn short(mut self, tag: Tag, values: &[u16]) -> Self {
        self.0.put(DataElement::new(tag, VR::US, PrimitiveValue::U16(values.into())));
        self
    }

    pub fn long(mut self, tag: Tag, values: &[u32]) -> Self {
        self.0.put(DataElement::new(tag, VR::UL, PrimitiveValue::U32(values.into())));
        self
    }

    pub fn double(mut self, tag: Tag, value: f64) -> Self {
        self.0.put(DataElement::new(tag, VR::FD, PrimitiveValue::from(value)));
        self
    }

    pub fn pointer(mut self, tag: Tag, to: Tag) -> Self {
        self.0.put(DataElement::new(tag, VR::AT, PrimitiveValue::Tags([to].as_slice().into())));
        self
    }

    pub fn items(mut self, tag: Tag, items: Vec<Object>) -> Self {
        let items: Vec<InMemDicomObject> = items.into_iter().map(|item| item.0).collect();
        self.0.put(DataElement::new(tag, VR::SQ, DataSetSequence::from(items)));
        self
    }

    pub fn item(self, tag: Tag, item: Object) -> Self {
        self.items(tag, vec![item])
    }

    pub fn pixels(mut self, pixels: Vec<u16>) -> Self {
        self.0.put(DataElement::new(tags::PIXEL_DATA, VR::OW, PrimitiveValue::U16(pixels.into())));
        self
    }

    /// Writes it, explicit little endian, with whole bytes on disk before it returns.
    pub fn save(self, path: &Path) -> io::Result<()> {
        let meta = FileMetaTableBuilder::new().transfer_syntax(uids::EXPLICIT_VR_LITTLE_ENDIAN);
        let file = self.0.with_meta(meta).map_err(io::Error::other)?;
        file.write_to_file(path).map_err(io::Error::other)
    }
}

/// A decimal string of at most 16 characters.
fn decimal(value: f64) -> String {
    let text = value.to_string();
    if text.len() <= 16 {
        return text;
    }
    (0..=14).rev().map(|digits| format!("{value:.digits$}")).find(|t| t.len() <= 16).unwrap_or(text)
}

/// Digits of a date or time.
pub(super) fn digits(text: &str) -> String {
    text.chars().filter(char::is_ascii_digit).collect()
}

impl Scan {
    /// The stored numbers of one image.
    pub(super) fn stored_frame(&self, frame: Frame) -> Stored {
        let start = (frame.echo * self.grid.slices() + frame.slice) * self.grid.slice_voxels();
        let range = start..start + self.grid.slice_voxels();
        let unsigned = |pixels: Vec<u16>, slope| Stored { pixels, signed: false, slope, intercept: 0.0 };
        let magnitude = self.stored.get(range.clone()).unwrap_or_default();
        let (real, imaginary, slope) = match &self.complex {
            Some((real, imaginary, slope)) => {
                (real.get(range.clone()).unwrap_or_default(), imaginary.get(range).unwrap_or_default(), *slope)
            }
            None => ([].as_slice(), [].as_slice(), 1.0),
        };
        let signed = |part: &[i16]| Stored {
            pixels: part.iter().map(|&x| x as u16).collect(),
            signed: true,
            slope,
            intercept: 0.0,
        };
        match frame.component {
            Component::Magnitude => unsigned(magnitude.to_vec(), self.slope),
            Component::Normalised => {
                let first = frame.slice * self.grid.slice_voxels();
                let even = |(index, &stored): (usize, &u16)| {
                    let gain = f64::from(self.sensitivity.get(first + index).copied().unwrap_or(1.0));
                    // A third keeps the brightened depth of the body below the top of the range.
                    (f64::from(stored) / gain / 3.0).round().min(65535.0) as u16
                };
                unsigned(magnitude.iter().enumerate().map(even).collect(), 3.0 * self.slope)
            }
            Component::Real => signed(real),
            Component::Imaginary => signed(imaginary),
            Component::Phase => {
                let turn = std::f64::consts::TAU;
                let steps = 4096.0;
                let stored = |(&re, &im): (&i16, &i16)| {
                    let angle = libm::atan2(f64::from(im), f64::from(re)) + 0.5 * turn;
                    (angle / turn * steps).floor().clamp(0.0, steps - 1.0) as u16
                };
                // Radians at the middle of each step.
                let slope = turn / steps;
                Stored {
                    pixels: real.iter().zip(imaginary).map(stored).collect(),
                    signed: false,
                    slope,
                    intercept: 0.5 * slope - 0.5 * turn,
                }
            }
        }
    }

    /// Whether the recipe leaves this image out.
    pub(super) fn omitted(&self, slice: usize, echo: usize) -> bool {
        self.recipe.export.omit.iter().any(|o| o.slice == slice + 1 && o.echo.is_none_or(|e| e == echo + 1))
    }

    /// Frames of these components at these echoes, slice by slice.
    fn frames(&self, components: &[Component], echoes: std::ops::Range<usize>) -> Vec<Frame> {
        let mut frames = Vec::new();
        for slice in 0..self.grid.slices() {
            for echo in echoes.clone().filter(|&echo| !self.omitted(slice, echo)) {
                frames.extend(components.iter().map(|&component| Frame { component, slice, echo }));
            }
        }
        frames
    }

    /// UID of a series by its number.
    pub(super) fn series_uid(&self, number: usize) -> String {
        header::uid(&self.recipe, &format!("series {}", number - FIRST_SERIES + 1))
    }

    /// The elements that classic and enhanced objects share: patient, study, series, equipment.
    pub(super) fn common(&self, series: usize, description: &str) -> Object {
        let (recipe, patient) = (&self.recipe, &self.recipe.patient);
        let (date, time) = (digits(&patient.study_date), digits(&patient.study_time));
        let age = header::age(&patient.birth_date, &patient.study_date);
        Object::default()
            .text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192")
            .text(tags::STUDY_DATE, VR::DA, &date)
            .text(tags::SERIES_DATE, VR::DA, &date)
            .text(tags::CONTENT_DATE, VR::DA, &date)
            .text(tags::STUDY_TIME, VR::TM, &time)
            .text(tags::SERIES_TIME, VR::TM, &time)
            .text(tags::CONTENT_TIME, VR::TM, &time)
            .text(tags::ACCESSION_NUMBER, VR::SH, header::accession(recipe))
            .text(tags::MODALITY, VR::CS, "MR")
            .text(tags::MANUFACTURER, VR::LO, header::MANUFACTURER)
            .text(tags::INSTITUTION_NAME, VR::LO, header::INSTITUTION)
            .empty(tags::REFERRING_PHYSICIAN_NAME, VR::PN)
            .text(tags::STATION_NAME, VR::SH, header::STATION)
            .text(tags::STUDY_DESCRIPTION, VR::LO, header::STUDY_DESCRIPTION)
            .text(tags::SERIES_DESCRIPTION, VR::LO, description)
            .text(tags::MANUFACTURER_MODEL_NAME, VR::LO, header::model(recipe.field_strength_t))
            .text(tags::PATIENT_NAME, VR::PN, &patient.name)
            .text(tags::PATIENT_ID, VR::LO, &patient.id)
            .text(tags::PATIENT_BIRTH_DATE, VR::DA, digits(&patient.birth_date))
            .text(tags::PATIENT_SEX, VR::CS, &patient.sex)
            .text(tags::PATIENT_AGE, VR::AS, format!("{age:03}Y"))
            .decimals(tags::PATIENT_WEIGHT, &[patient.weight_kg])
            .text(tags::BODY_PART_EXAMINED, VR::CS, header::BODY_PART)
            .text(tags::MR_ACQUISITION_TYPE, VR::CS, if recipe.sequence.three_d { "3D" } else { "2D" })
            .decimals(tags::MAGNETIC_FIELD_STRENGTH, &[recipe.field_strength_t])
            .text(tags::DEVICE_SERIAL_NUMBER, VR::LO, header::serial(recipe))
            .text(tags::SOFTWARE_VERSIONS, VR::LO, header::SOFTWARE)
            .text(tags::PROTOCOL_NAME, VR::LO, header::PROTOCOL)
            .text(tags::PATIENT_POSITION, VR::CS, "HFS")
            .text(tags::STUDY_INSTANCE_UID, VR::UI, header::uid(recipe, "study"))
            .text(tags::SERIES_INSTANCE_UID, VR::UI, self.series_uid(series))
            .text(tags::STUDY_ID, VR::SH, "1")
            .integer(tags::SERIES_NUMBER, series as i64)
            .integer(tags::ACQUISITION_NUMBER, 1)
            .text(tags::FRAME_OF_REFERENCE_UID, VR::UI, header::uid(recipe, "frame of reference"))
            .empty(tags::POSITION_REFERENCE_INDICATOR, VR::LO)
            .short(tags::SAMPLES_PER_PIXEL, &[1])
            .text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "MONOCHROME2")
            .short(tags::ROWS, &[self.grid.rows() as u16])
            .short(tags::COLUMNS, &[self.grid.columns() as u16])
            .short(tags::BITS_ALLOCATED, &[16])
            .short(tags::BITS_STORED, &[recipe.export.bits])
            .short(tags::HIGH_BIT, &[recipe.export.bits - 1])
    }
}

/// Number of the first series.
pub(super) const FIRST_SERIES: usize = 5;

/// Writes the scan under `dir` in the shape its recipe asks for: one folder for each series, plain names.
/// Returns every file written. UIDs depend on the recipe alone, so a second run writes the same bytes.
pub fn write(scan: &Scan, dir: &Path) -> io::Result<Vec<PathBuf>> {
    let export = &scan.recipe.export;
    let components: &[Component] = match export.components {
        Components::Magnitude => &[Component::Magnitude],
        Components::MagnitudePhase => &[Component::Magnitude, Component::Phase],
        Components::MagnitudeRealImaginary => &[Component::Magnitude, Component::Real, Component::Imaginary],
    };
    let echoes = scan.echo_times.len();
    let apart = matches!(export.format, Format::ClassicSeriesPerEcho | Format::EnhancedPerEcho);
    let mut groups: Vec<Vec<Frame>> = if apart {
        let each = |c: &Component| (0..echoes).map(|echo| scan.frames(&[*c], echo..echo + 1)).collect::<Vec<_>>();
        components.iter().flat_map(each).collect()
    } else {
        vec![scan.frames(components, 0..echoes)]
    };
    if export.normalised_copy {
        groups.push(scan.frames(&[Component::Normalised], 0..echoes));
    }
    let mut written = Vec::new();
    for (index, frames) in groups.into_iter().filter(|frames| !frames.is_empty()).enumerate() {
        let enhanced = matches!(export.format, Format::Enhanced | Format::EnhancedPerEcho);
        // Objects of one series: each echo is its own object, all of them in one series.
        let series = if export.format == Format::EnhancedPerEcho { FIRST_SERIES } else { FIRST_SERIES + index };
        let folder = dir.join(format!("S{series:03}"));
        std::fs::create_dir_all(&folder)?;
        if enhanced {
            written.extend(write_enhanced::write(scan, &frames, series, index, &folder)?);
        } else {
            let files: Vec<PathBuf> = frames
                .par_iter()
                .enumerate()
                .map(|(number, &frame)| write_classic::write(scan, frame, series, number + 1, &folder))
                .collect::<io::Result<_>>()?;
            written.extend(files);
        }
    }
    Ok(written)
}
