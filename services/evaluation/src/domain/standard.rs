//! The standard set of traits of stone fruit.
//!
//! Notes from 1 to 9 follow the manner of the published descriptor lists and of the guidelines for
//! tests of distinctness; which characteristic carries which number there was not read, so none is
//! given. Bounds are wide common practice, meant to catch slips of the pen, not to judge fruit.

use super::traits::{Better, Computation, Computed, Scale, State, Trait};

const PRACTICE: &str = "common practice in stone fruit, bounds ours";
const NOTES: &str = "notes 1 to 9 in the manner of descriptor lists, from memory";

fn measured(
    code: &str,
    name: &str,
    method: &str,
    unit: &str,
    (least, largest): (f64, f64),
    better: Better,
) -> Trait {
    Trait {
        code: code.into(),
        name: name.into(),
        method: method.into(),
        scale: Scale::Measured,
        unit: unit.into(),
        least: Some(least),
        largest: Some(largest),
        states: Vec::new(),
        source: PRACTICE.into(),
        better,
        computed: None,
        standard: true,
        upov: Vec::new(),
    }
}

fn count(code: &str, name: &str, method: &str, largest: f64, better: Better) -> Trait {
    Trait {
        scale: Scale::Count,
        unit: String::new(),
        ..measured(code, name, method, "", (0.0, largest), better)
    }
}

fn date(code: &str, name: &str, method: &str) -> Trait {
    Trait {
        scale: Scale::Date,
        unit: String::new(),
        ..measured(code, name, method, "", (1.0, 366.0), Better::Neither)
    }
}

/// Notes 1 to 9, of which some are named.
fn notes(code: &str, name: &str, method: &str, named: &[(u32, &str)], better: Better) -> Trait {
    let states = (1..=9)
        .map(|note| {
            let name = named
                .iter()
                .find(|(n, _)| *n == note)
                .map(|(_, name)| (*name).to_owned());
            let between = || {
                let below = named
                    .iter()
                    .rev()
                    .find(|(n, _)| *n < note)
                    .map_or("", |(_, name)| name);
                let above = named
                    .iter()
                    .find(|(n, _)| *n > note)
                    .map_or("", |(_, name)| name);
                format!("{below} to {above} ({note})")
            };
            State {
                note,
                name: name.unwrap_or_else(between),
            }
        })
        .collect();
    Trait {
        code: code.into(),
        name: name.into(),
        method: method.into(),
        scale: Scale::Ordinal,
        unit: String::new(),
        least: None,
        largest: None,
        states,
        source: NOTES.into(),
        better,
        computed: None,
        standard: true,
        upov: Vec::new(),
    }
}

fn states(
    code: &str,
    name: &str,
    method: &str,
    scale: Scale,
    names: &[&str],
    better: Better,
) -> Trait {
    Trait {
        scale,
        states: names
            .iter()
            .zip(1..)
            .map(|(name, note)| State {
                note,
                name: (*name).to_owned(),
            })
            .collect(),
        source: PRACTICE.into(),
        ..notes(code, name, method, &[(1, ""), (9, "")], better)
    }
}

fn computed(
    code: &str,
    name: &str,
    unit: &str,
    how: Computation,
    (first, second): (&str, &str),
    better: Better,
) -> Trait {
    Trait {
        least: None,
        largest: None,
        computed: Some(Computed {
            how,
            first: first.into(),
            second: second.into(),
        }),
        ..measured(
            code,
            name,
            "computed for each tree and year",
            unit,
            (0.0, 1.0),
            better,
        )
    }
}

/// The standard set, in the order in which a season brings it.
pub fn traits() -> Vec<Trait> {
    use Better::{Higher, Lower, Neither};
    const LOW_TO_HIGH: &[(u32, &str)] = &[
        (1, "very low"),
        (3, "low"),
        (5, "medium"),
        (7, "high"),
        (9, "very high"),
    ];
    const NONE_TO_SEVERE: &[(u32, &str)] = &[
        (1, "none"),
        (3, "slight"),
        (5, "moderate"),
        (7, "severe"),
        (9, "very severe"),
    ];
    const POOR_TO_EXCELLENT: &[(u32, &str)] = &[
        (1, "very poor"),
        (3, "poor"),
        (5, "fair"),
        (7, "good"),
        (9, "excellent"),
    ];
    vec![
        date(
            "bloom_date",
            "Full bloom",
            "day on which half the flowers are open (BBCH 65)",
        ),
        notes(
            "bloom_density",
            "Bloom density",
            "flowers on one-year wood, by eye",
            LOW_TO_HIGH,
            Higher,
        ),
        notes(
            "tree_vigour",
            "Tree vigour",
            "growth of the tree, by eye",
            LOW_TO_HIGH,
            Neither,
        ),
        states(
            "tree_habit",
            "Tree habit",
            "carriage of the tree without leaves",
            Scale::Ordinal,
            &[
                "columnar",
                "upright",
                "semi-upright",
                "spreading",
                "drooping",
                "dwarf",
            ],
            Neither,
        ),
        notes(
            "fruit_density",
            "Fruit density",
            "fruit on the tree before thinning, by eye",
            LOW_TO_HIGH,
            Higher,
        ),
        count(
            "fruits_left_n",
            "Fruits left",
            "fruits left on the tree after thinning",
            5000.0,
            Neither,
        ),
        measured(
            "crop_load",
            "Crop load",
            "fruits over cross-section of the trunk",
            "fruits/cm2",
            (0.0, 60.0),
            Neither,
        ),
        date(
            "ripening_date",
            "Ripening",
            "day on which fruit is first fit to pick",
        ),
        measured(
            "fruit_mass_g",
            "Fruit mass",
            "mean of ten fruits",
            "g",
            (0.5, 800.0),
            Higher,
        ),
        measured(
            "fruit_diameter_mm",
            "Fruit diameter",
            "largest diameter, mean of ten fruits",
            "mm",
            (5.0, 130.0),
            Higher,
        ),
        measured(
            "firmness_n",
            "Firmness",
            "penetrometer, 8 mm tip, skin removed, mean of ten fruits",
            "N",
            (0.5, 150.0),
            Higher,
        ),
        measured(
            "brix",
            "Soluble solids",
            "refractometer, juice of ten fruits",
            "°Brix",
            (3.0, 40.0),
            Higher,
        ),
        measured(
            "acidity_g_l",
            "Titratable acidity",
            "titration to pH 8.2, as malic acid",
            "g/L",
            (0.5, 40.0),
            Neither,
        ),
        measured(
            "juice_ph",
            "pH of the juice",
            "pH meter",
            "1",
            (2.5, 6.5),
            Neither,
        ),
        notes(
            "blush",
            "Blush",
            "share of the skin covered: 1 none, 9 all",
            &[
                (1, "none"),
                (3, "a quarter"),
                (5, "half"),
                (7, "three quarters"),
                (9, "all"),
            ],
            Higher,
        ),
        states(
            "ground_colour",
            "Ground colour",
            "colour beneath the blush",
            Scale::Nominal,
            &[
                "green",
                "green-yellow",
                "yellow",
                "orange",
                "red",
                "purple",
                "white",
                "not visible",
            ],
            Neither,
        ),
        states(
            "flesh_colour",
            "Flesh colour",
            "colour of the ripe flesh",
            Scale::Nominal,
            &["white", "cream", "yellow", "orange", "red", "purple"],
            Neither,
        ),
        states(
            "stone_adherence",
            "Stone adherence",
            "ripe fruit twisted in two halves",
            Scale::Ordinal,
            &["freestone", "semi-freestone", "clingstone"],
            Lower,
        ),
        notes(
            "shape_regularity",
            "Regularity of shape",
            "by eye",
            POOR_TO_EXCELLENT,
            Higher,
        ),
        notes(
            "flavour",
            "Flavour",
            "tasted when ripe",
            POOR_TO_EXCELLENT,
            Higher,
        ),
        notes(
            "texture",
            "Texture",
            "tasted when ripe",
            POOR_TO_EXCELLENT,
            Higher,
        ),
        notes(
            "splitting",
            "Splitting",
            "cracked skin or split stone in twenty fruits",
            NONE_TO_SEVERE,
            Lower,
        ),
        notes("russeting", "Russeting", "by eye", NONE_TO_SEVERE, Lower),
        notes(
            "pre_harvest_drop",
            "Drop before harvest",
            "by eye",
            NONE_TO_SEVERE,
            Lower,
        ),
        measured(
            "storage_days",
            "Storage",
            "days at 0 °C until flesh browns or turns mealy",
            "d",
            (0.0, 150.0),
            Higher,
        ),
        notes(
            "brown_rot",
            "Brown rot",
            "fruit or blossom attacked in the field",
            NONE_TO_SEVERE,
            Lower,
        ),
        notes(
            "bacterial_spot",
            "Bacterial spot",
            "leaves and fruit attacked in the field",
            NONE_TO_SEVERE,
            Lower,
        ),
        notes(
            "leaf_curl",
            "Leaf curl",
            "leaves attacked in the field",
            NONE_TO_SEVERE,
            Lower,
        ),
        notes(
            "powdery_mildew",
            "Powdery mildew",
            "leaves and fruit attacked in the field",
            NONE_TO_SEVERE,
            Lower,
        ),
        notes(
            "overall",
            "Overall impression",
            "would one eat another",
            POOR_TO_EXCELLENT,
            Higher,
        ),
        computed(
            "days_bloom_to_ripe",
            "Days from bloom to ripe",
            "d",
            Computation::Difference,
            ("ripening_date", "bloom_date"),
            Neither,
        ),
        computed(
            "sugar_acid_ratio",
            "Sugar to acid",
            "1",
            Computation::Ratio,
            ("brix", "acidity_g_l"),
            Higher,
        ),
    ]
}
