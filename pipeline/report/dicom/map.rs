//! Parametric maps: R2*, and LIC if the site asks. 32-bit floats; where there is no value, the declared padding.

use super::codes;
use super::element::{Code, Set, code_item};
use super::maker::{Kind, Maker};
use super::volume;
use dicom_core::{PrimitiveValue, VR, value::C};
use dicom_dictionary_std::{tags, uids};

/// What stands where no voxel has a value. NaN is not written: readers differ on it.
const PADDING: f32 = -1.0;

/// The R2* map.
pub const R2STAR: Kind = Kind {
    role: "pm/r2star",
    class: uids::PARAMETRIC_MAP_STORAGE,
    modality: "MR",
    series: 2,
    description: "Liver iron: R2* map",
};

/// The LIC map.
pub const LIC: Kind = Kind {
    role: "pm/lic",
    class: uids::PARAMETRIC_MAP_STORAGE,
    modality: "MR",
    series: 6,
    description: "Liver iron: LIC map",
};

struct Quantity {
    label: &'static str,
    explanation: &'static str,
    unit: Code,
    quantity: Code,
    method: Code,
}

/// `r2star.dcm`.
pub fn r2star(maker: &Maker<'_, '_>) -> Option<Vec<u8>> {
    let quantity = Quantity {
        label: "R2STAR",
        explanation: "R2* relaxation rate",
        unit: codes::per_second(),
        quantity: codes::r2star(),
        method: codes::fit_method(),
    };
    write(maker, &R2STAR, &quantity, maker.view.r2star?)
}

/// `lic.dcm`: the map through the calibration that gave the reading.
pub fn lic(maker: &Maker<'_, '_>) -> Option<Vec<u8>> {
    maker.view.result.lic_mg_per_g.as_ref()?;
    let quantity = Quantity {
        label: "LIC",
        explanation: "Liver iron concentration, dry weight",
        unit: codes::mg_per_g(),
        quantity: codes::lic(),
        method: codes::calibration_method(),
    };
    write(maker, &LIC, &quantity, maker.view.lic_map.as_deref()?)
}

fn write(maker: &Maker<'_, '_>, kind: &Kind, quantity: &Quantity, values: &[f32]) -> Option<Vec<u8>> {
    let grid = maker.view.grid?;
    if values.len() != grid.voxels() || !values.iter().any(|v| v.is_finite()) {
        return None;
    }
    let stored: Vec<f32> = values.iter().map(|&v| if v.is_finite() && v >= 0.0 { v } else { PADDING }).collect();
    let highest = stored.iter().copied().fold(0.0f32, f32::max);
    let per_frame = (0..grid.slices())
        .map(|slice| volume::frame(maker, grid, slice, &[slice as u32 + 1], &codes::calculation()))
        .collect();
    let image_type = ["DERIVED", "PRIMARY", "VOLUME", "QUANTITY"];
    let mut set = maker.start(kind);
    maker.frame_of_reference(&mut set);
    maker.referenced_series(&mut set);
    volume::dimensions(&mut set, maker, kind.role, &[volume::POSITION]);
    volume::size(&mut set, grid, grid.slices());
    let mut shared = volume::shared(grid);
    shared_groups(&mut shared, quantity, f64::from(highest), &image_type);
    set.texts(tags::IMAGE_TYPE, VR::CS, &image_type)
        .text(tags::BODY_PART_EXAMINED, VR::CS, "LIVER")
        .text_if(tags::PATIENT_POSITION, VR::CS, maker.view.header.patient_position.as_deref())
        .text(tags::PIXEL_PRESENTATION, VR::CS, "MONOCHROME")
        .text(tags::CONTENT_QUALIFICATION, VR::CS, maker.qualification)
        .short(tags::BITS_ALLOCATED, 32)
        .put(tags::FLOAT_PIXEL_PADDING_VALUE, VR::FL, PrimitiveValue::from(PADDING))
        .put(tags::FLOAT_PIXEL_PADDING_RANGE_LIMIT, VR::FL, PrimitiveValue::from(PADDING))
        .text(tags::BURNED_IN_ANNOTATION, VR::CS, "NO")
        .text(tags::RECOGNIZABLE_VISUAL_FEATURES, VR::CS, "NO")
        .text(tags::PRESENTATION_LUT_SHAPE, VR::CS, "IDENTITY")
        .sequence(tags::ACQUISITION_CONTEXT_SEQUENCE, Vec::new())
        .text(tags::CONTENT_LABEL, VR::CS, quantity.label)
        .text(tags::CONTENT_DESCRIPTION, VR::LO, kind.description)
        .text(tags::CONTENT_CREATOR_NAME, VR::PN, "siderolog^service")
        .sequence(tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE, vec![shared])
        .sequence(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE, per_frame)
        .put(tags::FLOAT_PIXEL_DATA, VR::OF, PrimitiveValue::F32(C::from_vec(stored)));
    Some(maker.finish(set, kind))
}

fn shared_groups(shared: &mut Set, quantity: &Quantity, highest: f64, image_type: &[&str]) {
    let mut anatomy = Set::new();
    anatomy.code(tags::ANATOMIC_REGION_SEQUENCE, &codes::liver()).text(tags::FRAME_LATERALITY, VR::CS, "U");
    let mut transformation = Set::new();
    transformation.decimals(tags::RESCALE_INTERCEPT, &[0.0]).decimals(tags::RESCALE_SLOPE, &[1.0]).text(
        tags::RESCALE_TYPE,
        VR::LO,
        "US",
    );
    let mut window = Set::new();
    let width = (highest * 1.1).ceil().max(1.0);
    window.decimals(tags::WINDOW_CENTER, &[width / 2.0]).decimals(tags::WINDOW_WIDTH, &[width]);
    let mut frame_type = Set::new();
    frame_type.texts(tags::FRAME_TYPE, VR::CS, image_type);
    let definition = |name: Code, value: &Code| {
        let mut item = Set::new();
        item.text(tags::VALUE_TYPE, VR::CS, "CODE")
            .code(tags::CONCEPT_NAME_CODE_SEQUENCE, &name)
            .code(tags::CONCEPT_CODE_SEQUENCE, value);
        item
    };
    let mut mapping = Set::new();
    let double = |v: f64| PrimitiveValue::from(v);
    mapping
        .text(tags::LUT_EXPLANATION, VR::LO, quantity.explanation)
        .sequence(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, vec![code_item(&quantity.unit)])
        .text(tags::LUT_LABEL, VR::SH, quantity.label)
        .put(tags::DOUBLE_FLOAT_REAL_WORLD_VALUE_LAST_VALUE_MAPPED, VR::FD, double(highest))
        // The range includes the padding, or readers refuse the whole object.
        .put(tags::DOUBLE_FLOAT_REAL_WORLD_VALUE_FIRST_VALUE_MAPPED, VR::FD, double(f64::from(PADDING)))
        .put(tags::REAL_WORLD_VALUE_INTERCEPT, VR::FD, double(0.0))
        .put(tags::REAL_WORLD_VALUE_SLOPE, VR::FD, double(1.0))
        .sequence(
            tags::QUANTITY_DEFINITION_SEQUENCE,
            vec![
                definition(codes::quantity(), &quantity.quantity),
                definition(codes::measurement_method(), &quantity.method),
            ],
        );
    shared
        .sequence(tags::FRAME_ANATOMY_SEQUENCE, vec![anatomy])
        .sequence(tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE, vec![transformation])
        .sequence(tags::FRAME_VOILUT_SEQUENCE, vec![window])
        .sequence(tags::PARAMETRIC_MAP_FRAME_TYPE_SEQUENCE, vec![frame_type])
        .sequence(tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE, vec![mapping]);
}
