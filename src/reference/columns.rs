//! Names of the columns of the tables.

/// Columns that a table may have; each kind of table needs some of them.
#[derive(Clone, Copy)]
pub(super) enum Column {
    Accuracy,
    Anchor,
    APerS,
    ELower,
    EUpper,
    Feature,
    GUpper,
    Gas,
    Head,
    IonStage,
    Kind,
    Label,
    Molecule,
    Note,
    RelIntensity,
    Scale,
    ShadingSide,
    Source,
    Species,
    Strength,
    System,
    SystemName,
    U,
    Wavelength,
    Width,
}

/// Names of the columns in the head of a table, in the order of [`Column`].
pub(super) const COLUMN_NAMES: [&str; 25] = [
    "accuracy",
    "anchor",
    "a_per_s",
    "e_lower_per_cm",
    "e_upper_per_cm",
    "feature",
    "g_upper",
    "gas",
    "head_air_nm",
    "ion_stage",
    "kind",
    "label",
    "molecule",
    "note",
    "rel_intensity",
    "intensity_scale",
    "shading",
    "source",
    "species",
    "strength",
    "system",
    "system_name",
    "u_nm",
    "wavelength_air_nm",
    "width_nm",
];

/// Columns that a table may have for the record and that are not read.
pub(super) const UNREAD_COLUMNS: &[&str] = &["g_lower", "rel_intensity_2", "intensity_scale_2"];

/// Columns that a table of lines needs.
pub(super) const LINE_NEEDS: &[Column] = &[Column::Species, Column::Wavelength];
/// Columns that a table of bands needs.
pub(super) const BAND_NEEDS: &[Column] =
    &[Column::Molecule, Column::System, Column::Gas, Column::Head, Column::ShadingSide];
/// Columns that a table of lamp features needs.
pub(super) const LAMP_NEEDS: &[Column] = &[
    Column::Feature,
    Column::Species,
    Column::Wavelength,
    Column::U,
    Column::Kind,
    Column::Anchor,
];

impl Column {
    /// Its name in the head of a table.
    pub(super) fn name(self) -> &'static str {
        COLUMN_NAMES[self as usize]
    }
}

/// Place of each [`Column`] in the rows of one table; none where the table lacks it.
pub(super) type Places = [Option<usize>; COLUMN_NAMES.len()];
