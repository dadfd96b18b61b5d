//! Steps of seed.

use compatibility::{Species, Taxon};

platform::words! {
    /// A step on the way from stone to seedling.
    pub enum SeedStep {
        /// Taken out of the stones.
        Extracted = "extracted",
        /// Laid into the cold.
        Stratified = "stratified",
        /// Embryos laid onto a medium, where fruit ripens before its seed.
        Rescued = "rescued",
        /// Germinated.
        Germinated = "germinated",
        /// Lost, for a cause.
        Lost = "lost",
    }
}

platform::words! {
    /// Why seed was lost.
    pub enum LossCause {
        /// No kernel, or a shrivelled one.
        Empty = "empty",
        /// Mould.
        Mould = "mould",
        /// It never germinated.
        NotGerminated = "not_germinated",
        /// The seedling rotted at the neck.
        DampingOff = "damping_off",
        /// Mice, insects and the like.
        Pests = "pests",
        /// Dropped, dried out, mixed up.
        Mishap = "mishap",
        /// Anything else.
        Other = "other",
    }
}

/// Days of moist cold that seed of a species usually needs (common practice, from memory); the
/// longest of its species for a hybrid.
pub fn stratification_days(taxon: &Taxon) -> i64 {
    taxon
        .all_species()
        .into_iter()
        .map(|species| match species {
            Species::Dulcis => 45,
            Species::Armeniaca | Species::Mume => 60,
            Species::Persica | Species::Davidiana => 90,
            Species::Salicina | Species::Cerasifera => 90,
            Species::Mahaleb => 100,
            _ => 120,
        })
        .max()
        .unwrap_or(90)
}
