//! What a recipe means where it says nothing: a plain adult, a plain protocol.

use super::recipe::Artefacts;
use super::recipe::{
    Body, Components, Export, Format, GridRecipe, Liver, PatientRecipe, Receive, Recipe, Resection, SequenceRecipe,
};

impl Default for Recipe {
    fn default() -> Self {
        Self {
            description: String::new(),
            seed: 1,
            field_strength_t: 1.5,
            patient: PatientRecipe::default(),
            body: Body::default(),
            liver: Liver::default(),
            grid: GridRecipe::default(),
            sequence: SequenceRecipe::default(),
            receive: Receive::default(),
            artefacts: Artefacts::default(),
            export: Export::default(),
        }
    }
}

impl Default for PatientRecipe {
    fn default() -> Self {
        Self {
            id: "INVENTED-0001".into(),
            name: "Phantom^Invented".into(),
            birth_date: "1990-05-17".into(),
            sex: "O".into(),
            weight_kg: 68.0,
            study_date: "2026-03-14".into(),
            study_time: "09:30:00".into(),
        }
    }
}

impl Default for Body {
    fn default() -> Self {
        Self {
            seed: None,
            half_width_mm: 165.0,
            half_depth_mm: 114.0,
            liver_height_mm: 165.0,
            fat_mm: 15.0,
            arms: false,
            situs_inversus: false,
            spleen: 1.0,
            spleen_r2star: None,
            liver: 1.0,
            left_lobe: 0.5,
            gas: 0.4,
            gallbladder: true,
            ascites: 0.0,
            resection: Resection::None,
            irregularity: 1.0,
        }
    }
}

impl Default for Liver {
    fn default() -> Self {
        Self { r2star: 120.0, heterogeneity: 0.12, fat_fraction: 0.03, lesions: 0 }
    }
}

impl Default for GridRecipe {
    fn default() -> Self {
        Self {
            slices: 5,
            rows: 128,
            columns: 160,
            pixel_mm: [2.4, 2.4],
            thickness_mm: 8.0,
            spacing_mm: 10.0,
            centre: 0.42,
            tilt_deg: 0.0,
        }
    }
}

impl Default for SequenceRecipe {
    fn default() -> Self {
        Self {
            first_echo_ms: 0.9,
            echo_spacing_ms: 0.9,
            echoes: 12,
            echo_times_ms: Vec::new(),
            repetition_time_ms: 120.0,
            flip_angle_deg: 20.0,
            bandwidth_hz: 1950.0,
            averages: 1,
            three_d: false,
            phase_along_row: false,
            free_breathing: false,
        }
    }
}

impl Default for Receive {
    fn default() -> Self {
        Self { snr: 50.0, channels: 1, shading: 0.5, amplification: 0.0, field_disturbance: true }
    }
}

impl Default for Export {
    fn default() -> Self {
        Self {
            format: Format::Classic,
            components: Components::Magnitude,
            bits: 12,
            normalised_copy: false,
            omit: Vec::new(),
        }
    }
}
