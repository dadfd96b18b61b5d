//! The files of a season and their columns.

/// What a reference in a column leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// A plant of the germplasm, by name or number; also a numbered seedling.
    Variety,
    /// A mother.
    Mother,
    /// A pollen lot.
    Lot,
    /// A cross.
    Cross,
    /// A site.
    Site,
    /// A trial.
    Trial,
}

impl Kind {
    /// The word by which ids are made and messages speak.
    pub fn word(self) -> &'static str {
        match self {
            Self::Variety => "variety",
            Self::Mother => "mother",
            Self::Lot => "pollen lot",
            Self::Cross => "cross",
            Self::Site => "site",
            Self::Trial => "trial",
        }
    }

    /// The file that holds things of this kind, and the column they are known by.
    pub fn home(self) -> (&'static str, &'static str) {
        match self {
            Self::Variety => ("varieties", "name"),
            Self::Mother => ("mothers", "mother"),
            Self::Lot => ("pollen_lots", "lot"),
            Self::Cross => ("crosses", "cross"),
            Self::Site => ("sites", "name"),
            Self::Trial => ("trials", "trial"),
        }
    }
}

/// A column of a file.
#[derive(Debug)]
pub struct Column {
    /// Its name in the header.
    pub name: &'static str,
    /// Whether it must be there and filled in every row.
    pub required: bool,
    /// Field of the request that it fills, by which faults find back to it.
    pub field: &'static str,
    /// What its texts lead to; several are separated by semicolons.
    pub refers: &'static [Kind],
    /// What it holds, with unit and words, for the documentation.
    pub holds: &'static str,
}

/// A file of a season.
#[derive(Debug)]
pub struct FileForm {
    /// Its name without ending.
    pub name: &'static str,
    /// What a row is.
    pub row: &'static str,
    /// Its columns.
    pub columns: &'static [Column],
}

const fn must(name: &'static str, field: &'static str, holds: &'static str) -> Column {
    Column {
        name,
        required: true,
        field,
        refers: &[],
        holds,
    }
}

const fn may(name: &'static str, field: &'static str, holds: &'static str) -> Column {
    Column {
        name,
        required: false,
        field,
        refers: &[],
        holds,
    }
}

const fn to(column: Column, refers: &'static [Kind]) -> Column {
    Column { refers, ..column }
}

const BY: Column = may("by", "by", "who did it");
const NOTE: Column = may("note", "note", "anything else");
const REASON: Column = may(
    "reason",
    "reason",
    "why a count does not fit what went before",
);
const CROSS: Column = to(
    must(
        "cross",
        "cross_id",
        "the cross, as in crosses, or its number",
    ),
    &[Kind::Cross],
);
const VARIETY: Column = to(
    must(
        "variety",
        "germplasm_id",
        "the variety, as in varieties, or one the programme has",
    ),
    &[Kind::Variety],
);
const MOTHER: Column = to(
    may(
        "mother",
        "mother_id",
        "the tree, as in mothers, or its number",
    ),
    &[Kind::Mother],
);

/// Every file, in the order in which they are loaded.
pub const FILES: &[FileForm] = &[
    FileForm {
        name: "season",
        row: "one crossing season; leave the file out when the season is open already",
        columns: &[
            must("year", "year", "year of the bloom"),
            must("site", "site", "where the crosses are made"),
            must(
                "time_zone",
                "time_zone",
                "zone of the tz database, as America/Los_Angeles",
            ),
            may("opens_on", "opens_on", "first day of the season"),
            may("closes_on", "closes_on", "last day of the season"),
        ],
    },
    FileForm {
        name: "varieties",
        row: "one variety, selection or wild plant, known by its name",
        columns: &[
            must("name", "name", "name, unique in the programme"),
            must(
                "species",
                "species",
                "as Prunus persica, or a hybrid formula as P. salicina × P. armeniaca",
            ),
            must("kind", "kind", "variety, selection, seedling or wild"),
            to(
                may("seed_parent", "seed_parent_id", "mother"),
                &[Kind::Variety],
            ),
            to(
                may(
                    "pollen_parent",
                    "pollen_parent_id",
                    "pollen parent; open for open-pollinated, empty when unknown",
                ),
                &[Kind::Variety],
            ),
            may("s_alleles", "s_alleles", "S alleles, as S1 S4"),
            may("loci", "loci", "genotypes by locus, as G=Gg; Y=Yy"),
            may(
                "traits",
                "traits",
                "trait notes, as brix=14.2; flesh_colour=yellow",
            ),
            may(
                "accession_number",
                "passport",
                "number in the collection it came from",
            ),
            may(
                "origin_country",
                "passport",
                "country of origin, ISO 3166-1 alpha-3",
            ),
            may(
                "protected_by",
                "protected_by",
                "third party whose rights cover it",
            ),
            may(
                "rights_standing",
                "rights_standing",
                "free, own, protected or agreement_needed",
            ),
            to(
                may("clone_of", "clone_of_id", "plant it is a sport or clone of"),
                &[Kind::Variety],
            ),
            may("notes", "notes", "anything else"),
        ],
    },
    FileForm {
        name: "mothers",
        row: "one container-grown mother tree",
        columns: &[
            must("mother", "id", "key of the tree in these files"),
            VARIETY,
            must("house", "house", "house or block she stands in"),
            may("row", "row", "row, from 1"),
            may("position", "position", "place in the row, from 1"),
            may("container_l", "container_l", "container, litres"),
            must("from", "on", "day from which she stands there"),
            NOTE,
        ],
    },
    FileForm {
        name: "bloom",
        row: "one note of how far a variety's bloom is",
        columns: &[
            VARIETY,
            must("on", "on", "day"),
            must(
                "stage_bbch",
                "stage_bbch",
                "BBCH code of the flower stage: 51 to 69",
            ),
            may("percent_open", "percent_open", "share of flowers open, %"),
            may("site", "site", "where"),
            BY,
            NOTE,
        ],
    },
    FileForm {
        name: "pollen_lots",
        row: "flowers of one variety gathered on one morning, and what became of them",
        columns: &[
            must("lot", "id", "key of the lot in these files"),
            VARIETY,
            must("gathered_on", "gathered_on", "day"),
            must("flowers_n", "flowers_n", "flowers gathered"),
            must(
                "stage_bbch",
                "stage_bbch",
                "BBCH code: 59 is the balloon stage",
            ),
            may(
                "dried_on",
                "",
                "day on which it was found dry, the morning after at the earliest",
            ),
            may("dried_mg", "", "dry pollen, mg"),
            may("stored_on", "", "day on which it went to a cold place"),
            may(
                "stored_in",
                "",
                "vial, refrigerator, freezer or deep_freezer",
            ),
            may(
                "thawed_on",
                "",
                "day on which it was taken out of the freezer",
            ),
            may("tested_on", "", "day of a germination test"),
            may("tested_n", "", "grains counted in the test"),
            may("germinated_n", "", "of these, grains germinated"),
            may("discarded_on", "", "day on which it was thrown away"),
            may("discard_reason", "", "why; needed with discarded_on"),
            may("site", "site", "where the flowers were gathered"),
            BY,
            NOTE,
        ],
    },
    FileForm {
        name: "crosses",
        row: "one planned cross",
        columns: &[
            must("cross", "id", "key of the cross in these files"),
            must("season", "season", "year of an opened season"),
            to(
                must("seed_parent", "seed_parent_id", "mother variety"),
                &[Kind::Variety],
            ),
            to(
                must(
                    "pollen_parent",
                    "pollen_parent_id",
                    "pollen parent, or open",
                ),
                &[Kind::Variety],
            ),
            must("objective", "objective", "what the cross is for"),
            must("fruit_wanted_n", "fruit_wanted_n", "fruits wanted"),
            to(
                may(
                    "mothers",
                    "mother_ids",
                    "trees that stand for the cross, separated by ;",
                ),
                &[Kind::Mother],
            ),
            may(
                "number",
                "number",
                "number within the season, to keep one given elsewhere",
            ),
        ],
    },
    FileForm {
        name: "mother_events",
        row: "one thing done to or seen on a mother",
        columns: &[
            to(
                must(
                    "mother",
                    "mother_id",
                    "the tree, as in mothers, or its number",
                ),
                &[Kind::Mother],
            ),
            must("on", "on", "day"),
            must(
                "what",
                "kind",
                "covered, uncovered, stripped, insects_seen or died",
            ),
            may(
                "flowers_n",
                "flowers_n",
                "late flowers taken off, for stripped",
            ),
            BY,
            NOTE,
        ],
    },
    FileForm {
        name: "passes",
        row: "one visit to a mother on which flowers are emasculated or pollinated",
        columns: &[
            CROSS,
            must("pass", "id", "number of the pass on its cross, from 1"),
            must("on", "on", "day"),
            to(
                may(
                    "pollen_lot",
                    "pollen_lot_id",
                    "the lot, as in pollen_lots, or its number; needed where flowers were pollinated",
                ),
                &[Kind::Lot],
            ),
            MOTHER,
            may(
                "flowers_emasculated_n",
                "flowers_emasculated_n",
                "flowers emasculated",
            ),
            may(
                "flowers_pollinated_n",
                "flowers_pollinated_n",
                "flowers pollinated",
            ),
            may(
                "stray_open_flowers_n",
                "stray_open_flowers_n",
                "flowers found open and unworked",
            ),
            may(
                "stray_stripped_n",
                "stray_stripped_n",
                "of these, taken off; all when empty",
            ),
            may("unfit_n", "unfit_n", "emasculated flowers found unfit"),
            may("covered", "covered", "yes or no"),
            may(
                "days_since_opening",
                "days_since_opening",
                "days since the flowers opened or were emasculated",
            ),
            may(
                "pollen_mg",
                "pollen_mg",
                "pollen taken from a weighed lot, mg",
            ),
            BY,
            REASON,
            NOTE,
        ],
    },
    FileForm {
        name: "fruit",
        row: "one count or picking of fruit",
        columns: &[
            CROSS,
            must("on", "on", "day"),
            may("set_n", "set_n", "fruits counted on the trees"),
            may("harvested_n", "harvested_n", "fruits picked on this day"),
            may("stones_n", "stones_n", "stones taken out on this day"),
            MOTHER,
            REASON,
            BY,
            NOTE,
        ],
    },
    FileForm {
        name: "seed",
        row: "one step of a cross's seed",
        columns: &[
            CROSS,
            must("on", "on", "day"),
            must(
                "step",
                "step",
                "extracted, stratified, rescued, germinated or lost",
            ),
            must("seed_n", "seed_n", "seeds that took this step on this day"),
            may("stones_n", "stones_n", "stones cracked, for extracted"),
            may(
                "cause",
                "cause",
                "for lost: empty, mould, not_germinated, damping_off, pests, mishap or other",
            ),
            REASON,
            BY,
            NOTE,
        ],
    },
    FileForm {
        name: "seedlings",
        row: "one planting of a cross's seedlings, which numbers them",
        columns: &[
            CROSS,
            must("planted_n", "planted_n", "seedlings planted"),
            must("block", "block", "block"),
            must("first_row", "first_row", "first row, from 1"),
            may(
                "plants_per_row",
                "plants_per_row",
                "plants in a row; 100 when empty",
            ),
            must("on", "on", "day of planting"),
            may("site", "site", "where"),
            REASON,
            BY,
        ],
    },
    FileForm {
        name: "sites",
        row: "one place where trials stand",
        columns: &[
            must("name", "name", "name, unique in the programme"),
            must("country", "country", "ISO 3166-1 alpha-2"),
            must("time_zone", "time_zone", "zone of the tz database"),
            may("latitude_deg", "latitude_deg", "degrees north"),
            may("longitude_deg", "longitude_deg", "degrees east"),
            may("elevation_m", "elevation_m", "metres above the sea"),
            may("soil", "soil", "soil, in words"),
            may(
                "rootstock",
                "rootstock",
                "what budded trees usually stand on there",
            ),
            may(
                "climate_station",
                "climate_station",
                "station whose records stand for the site",
            ),
        ],
    },
    FileForm {
        name: "trials",
        row: "one trial, which is laid out as it is loaded",
        columns: &[
            must("trial", "name", "name, unique in its season"),
            must(
                "stage",
                "stage",
                "own_root, budded, multi_site or pre_release",
            ),
            must("season", "season", "year in which it begins"),
            to(
                must("sites", "site_ids", "sites, separated by ;"),
                &[Kind::Site],
            ),
            to(
                must(
                    "entries",
                    "entries",
                    "crosses (all their seedlings) or varieties, separated by ;",
                ),
                &[Kind::Cross, Kind::Variety],
            ),
            to(
                may("checks", "checks", "check varieties, separated by ;"),
                &[Kind::Variety],
            ),
            must(
                "design",
                "design",
                "rcbd, alpha, augmented, row_column, p_rep or unreplicated",
            ),
            may(
                "replicates",
                "replicates",
                "complete replicates, or blocks of augmented and p_rep",
            ),
            may("block_size", "block_size", "plots in an incomplete block"),
            may(
                "replicated_n",
                "replicated_n",
                "p_rep: entries that are replicated",
            ),
            may("rows", "rows", "rows of trees at each site"),
            may("columns", "columns", "trees in a row"),
            must("seed", "seed", "seed of the randomisation, a whole number"),
            must("planted_on", "planted_on", "day of planting"),
            may("rootstock", "rootstock", "what budded trees stand on"),
            NOTE,
        ],
    },
    FileForm {
        name: "records",
        row: "one record of one trait on one tree",
        columns: &[
            may(
                "tree",
                "tree_id",
                "number of the tree with its check character; or else its trial and place:",
            ),
            to(
                may("trial", "tree_id", "the trial, as in trials, or its number"),
                &[Kind::Trial],
            ),
            to(may("site", "tree_id", "the site"), &[Kind::Site]),
            may("row", "tree_id", "row of the layout, from 1"),
            may("column", "tree_id", "place in the row, from 1"),
            must("trait", "trait", "code of a trait, as brix"),
            must(
                "value",
                "value",
                "number in the trait's unit, note, state or date",
            ),
            must(
                "observed_at",
                "observed_at",
                "day, or instant with its zone",
            ),
            must("by", "by", "who took it"),
        ],
    },
];

/// The form of a file by its name.
///
/// # Panics
/// When there is no such file; names are written in this program.
pub fn file(name: &str) -> &'static FileForm {
    FILES
        .iter()
        .find(|form| form.name == name)
        .expect("a file of the season")
}

impl FileForm {
    /// The file's columns as a table in Markdown.
    pub fn documentation(&self) -> String {
        let mut text = format!(
            "### {}\n\nA row is {}.\n\n| column | required | holds |\n|---|---|---|\n",
            self.name, self.row
        );
        for column in self.columns {
            let required = if column.required { "yes" } else { "" };
            text.push_str(&format!(
                "| `{}` | {required} | {} |\n",
                column.name, column.holds
            ));
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_is_documented_as_it_is_read() {
        let path = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../docs/demo-season/README.md"
        );
        let readme = std::fs::read_to_string(path).unwrap();
        for form in FILES {
            let wanted = form.documentation();
            assert!(
                readme.contains(&wanted),
                "docs/demo-season/README.md should hold:\n{wanted}"
            );
        }
    }

    #[test]
    fn columns_are_named_once() {
        for form in FILES {
            for (place, column) in form.columns.iter().enumerate() {
                let again = form.columns[..place]
                    .iter()
                    .any(|other| other.name == column.name);
                assert!(!again, "{} of {}", column.name, form.name);
            }
        }
    }
}
