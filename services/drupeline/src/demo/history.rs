//! Six seasons of an invented programme, from a seed: what was crossed, what came of it, what was
//! seen in the trials and who was chosen.

use std::collections::{BTreeMap, BTreeSet};

use contract::crossing::{
    GatherPollenRequest, ImportSeasonRequest, OpenSeasonRequest, PlanCrossRequest,
    PlantSeedlingsRequest, RecordBloomRequest, RecordFruitRequest, RecordMotherEventRequest,
    RecordPassRequest, RecordPollenEventRequest, RecordSeedRequest, RegisterGermplasmRequest,
    RegisterMotherRequest,
};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use rand::RngExt as _;

use super::biology::{Fruit, Plant, TRAITS, Yield, stream, yields};
use super::climate::{Bloom, Climate};
use crate::import::keys;

/// How much history is made.
#[derive(Debug, Clone)]
pub struct Size {
    /// Seasons, the last being the present one.
    pub seasons_n: i16,
    /// Crosses in a season.
    pub crosses_n: std::ops::RangeInclusive<usize>,
    /// Fruits wanted of each cross.
    pub fruit_wanted_n: u32,
    /// Share of sound seed that germinates.
    pub germination: f64,
    /// Selections of earlier decades.
    pub past_selections_n: u32,
    /// Lines of the programme's own beside the named varieties, which cross with each other.
    pub lines_n: usize,
    /// Winters before the first season whose temperatures and bloom were written down.
    pub earlier_winters_n: i16,
    /// Winters of decades ago whose temperatures were kept.
    pub old_winters_n: i16,
}

impl Size {
    /// What `up --demo` loads.
    pub const FULL: Self = Self {
        seasons_n: 6,
        crosses_n: 26..=36,
        fruit_wanted_n: 100,
        germination: 0.22,
        past_selections_n: 120,
        lines_n: 0,
        earlier_winters_n: 8,
        old_winters_n: 5,
    };
    /// Enough to see everything once.
    pub const SMALL: Self = Self {
        seasons_n: 6,
        crosses_n: 3..=4,
        fruit_wanted_n: 100,
        germination: 0.30,
        past_selections_n: 40,
        lines_n: 0,
        earlier_winters_n: 3,
        old_winters_n: 1,
    };
    /// A crossing house at full work: the pollen of 100 to 150 varieties on a full day.
    pub const LARGE: Self = Self {
        seasons_n: 2,
        crosses_n: 350..=360,
        fruit_wanted_n: 100,
        germination: 0.02,
        lines_n: 260,
        earlier_winters_n: 0,
        old_winters_n: 0,
        past_selections_n: 0,
    };
}

/// Where the crosses are made.
pub const CROSSING_HOUSE: &str = "Bloom House, Hollow Home Farm";
/// Zone of the programme's places.
pub const TIME_ZONE: &str = "America/Los_Angeles";
const SEED: u64 = 0x7a11_0bed;

/// A plant that can be a parent.
#[derive(Debug, Clone)]
pub struct Parent {
    /// Its id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Its genotype.
    pub plant: Plant,
}

/// A cross with all that came of it.
#[derive(Debug, Clone)]
pub struct CrossStory {
    /// Its id.
    pub id: String,
    /// Its season.
    pub year: i16,
    mother: Parent,
    /// None for open pollination.
    pollen_parent: Option<Parent>,
    objective: &'static str,
    wanted_n: u32,
    yields: Yield,
    /// Its seedlings, in the order of their numbers.
    pub seedlings: Vec<Plant>,
    first_pass_on: Date,
    last_pass_on: Date,
    harvest_on: Date,
    planted_on: Date,
}

impl CrossStory {
    /// The days of its passes: every other day.
    fn pass_days(&self) -> impl Iterator<Item = Date> + '_ {
        (0..self.yields.passes.len()).map(|n| plus(self.first_pass_on, 2 * n as i64))
    }
}

/// The story of the programme, as far as the crossing house goes.
pub struct Story {
    programme: String,
    size: Size,
    today: Date,
    /// Varieties and selections from before the first season.
    pub founders: Vec<Parent>,
    registered: BTreeMap<String, RegisterGermplasmRequest>,
    mothers: BTreeMap<String, i16>,
    climate: Climate,
    /// Pollen frozen in one season for the next, by plant.
    frozen: BTreeMap<String, FrozenLot>,
}

/// A lot in the freezer.
#[derive(Debug, Clone)]
struct FrozenLot {
    id: String,
    season: i16,
}

/// A lot at hand for a season's passes.
struct LotAtHand {
    id: String,
    /// First day on which it can be used.
    from: Date,
    is_frozen: bool,
}

/// Days before and after a variety's balloon stage on which balloons are to be found.
const BALLOONS_BEFORE: i64 = 1;
const BALLOONS_AFTER: i64 = 6;
/// Days that a vial in use is followed by a fresh one, while there are balloons.
const FRESH_AFTER: i64 = 6;

type Founder = (
    &'static str,
    Fruit,
    &'static [&'static str],
    &'static [(&'static str, [&'static str; 2])],
);

const H: [&str; 3] = ["H1", "H2", "H3"];

/// Invented varieties; whose rights cover one is told in [`PROTECTED`].
const FOUNDERS: &[Founder] = &[
    (
        "Wrenfold",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["Y", "y"]),
            ("G", ["G", "g"]),
            ("F-M", [H[0], H[2]]),
            ("D", ["d", "d"]),
        ],
    ),
    (
        "Saltmarsh Blush",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["y", "y"]),
            ("G", ["G", "G"]),
            ("F-M", [H[0], H[0]]),
            ("D", ["d", "d"]),
        ],
    ),
    (
        "Tannow Early",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["y", "y"]),
            ("G", ["g", "g"]),
            ("F-M", [H[0], H[1]]),
            ("D", ["D", "d"]),
        ],
    ),
    (
        "Quillon",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["Y", "Y"]),
            ("G", ["G", "g"]),
            ("F-M", [H[1], H[2]]),
            ("D", ["D", "d"]),
        ],
    ),
    (
        "Hearthglow",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["y", "y"]),
            ("G", ["g", "g"]),
            ("F-M", [H[0], H[2]]),
            ("D", ["d", "d"]),
        ],
    ),
    (
        "Marrable",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["Y", "y"]),
            ("G", ["g", "g"]),
            ("F-M", [H[0], H[1]]),
            ("D", ["D", "D"]),
        ],
    ),
    (
        "Cinder Vale",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["y", "y"]),
            ("G", ["G", "g"]),
            ("F-M", [H[2], H[2]]),
            ("D", ["d", "d"]),
        ],
    ),
    (
        "Orlan",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["Y", "y"]),
            ("G", ["G", "G"]),
            ("F-M", [H[0], H[0]]),
            ("D", ["D", "d"]),
        ],
    ),
    (
        "Pellam Rose",
        Fruit::Peach,
        &[],
        &[
            ("Y", ["Y", "Y"]),
            ("G", ["g", "g"]),
            ("F-M", [H[0], H[1]]),
            ("D", ["d", "d"]),
        ],
    ),
    ("Dusk Hollow", Fruit::Plum, &["Sb", "Sc"], &[]),
    ("Merrow Black", Fruit::Plum, &["Sc", "Se"], &[]),
    ("Ossian Red", Fruit::Plum, &["Sa", "Sf"], &[]),
    ("Thistledown", Fruit::Plum, &["Sb", "Sh"], &[]),
    ("Larkrise Gold", Fruit::Plum, &["Sf", "Sg"], &[]),
    ("Nettle Lane", Fruit::Plum, &["Sa", "Sc"], &[]),
    ("Suncroft", Fruit::Apricot, &["S1", "Sc"], &[]),
    ("Ambry", Fruit::Apricot, &["S2", "S6"], &[]),
    ("Kilnstone", Fruit::Apricot, &["S1", "S2"], &[]),
    ("Fenwick Honey", Fruit::Apricot, &["S6", "Sc"], &[]),
];

/// Whose rights cover a founder: all invented.
const PROTECTED: &[(&str, &str)] = &[
    ("Quillon", "Ashgrove Fruit Trust"),
    ("Larkrise Gold", "Sable Point Orchards"),
];

/// Selections of the programme from before the first season: name, fruit, mother, pollen parent.
pub const OLD_SELECTIONS: &[(&str, Fruit, &str, &str)] = &[
    ("TH 09-114", Fruit::Peach, "Wrenfold", "Tannow Early"),
    ("TH 10-031", Fruit::Plum, "Dusk Hollow", "Ossian Red"),
    ("TH 13-207", Fruit::Peach, "Hearthglow", "Marrable"),
    ("TH 14-058", Fruit::Apricot, "Suncroft", "Ambry"),
    ("TH 12-090", Fruit::Plum, "Thistledown", "Larkrise Gold"),
];

/// Trees that tell how the season runs: an early, a middle and a late one.
pub const INDICATORS: [&str; 3] = ["Suncroft", "Dusk Hollow", "Wrenfold"];

/// Checks of the trials.
pub const CHECKS: [&str; 4] = ["Wrenfold", "Hearthglow", "Dusk Hollow", "Suncroft"];

const OBJECTIVES: &[(Fruit, &[&str])] = &[
    (
        Fruit::Peach,
        &[
            "early yellow nectarine above 14 °Brix",
            "white peach firm enough to ship",
            "low-acid peach of good size",
            "non-melting flesh with flavour",
            "late peach that hangs on the tree",
        ],
    ),
    (
        Fruit::Plum,
        &[
            "large dark plum that holds its firmness",
            "sweet red-fleshed plum for late July",
            "plum that sets well in a cool spring",
        ],
    ),
    (
        Fruit::Apricot,
        &[
            "apricot of high sugar with a blush",
            "apricot that sets in rain",
        ],
    ),
    (
        Fruit::Plumcot,
        &[
            "plum by apricot: aroma and sugar",
            "early plumcot without bitter skin",
        ],
    ),
];

fn objective(fruit: Fruit, rng: &mut rand_chacha::ChaCha8Rng) -> &'static str {
    let list = OBJECTIVES
        .iter()
        .find(|(of, _)| *of == fruit)
        .map_or(&[][..], |(_, list)| list);
    list[rng.random_range(0..list.len())]
}

fn plus(day: Date, days: i64) -> Date {
    day.saturating_add(days.days())
}

fn day_of_year(year: i16, day: f64) -> Date {
    plus(date(year, 1, 1), day.round() as i64)
}

/// The seasons up to a day whose bloom is over by it.
fn seasons(today: Date, seasons_n: i16) -> std::ops::RangeInclusive<i16> {
    let last = if today.month() >= 4 {
        today.year()
    } else {
        today.year() - 1
    };
    last - seasons_n + 1..=last
}

impl Story {
    /// The story of a programme up to a day.
    pub fn new(programme: &str, size: Size, today: Date) -> Self {
        let id = |name: &str| keys::id(programme, "demo plant", &[name]).to_string();
        let mut founders: Vec<Parent> = FOUNDERS
            .iter()
            .map(|(name, fruit, s_alleles, loci)| Parent {
                id: id(name),
                name: (*name).to_owned(),
                plant: Plant::founder(
                    *fruit,
                    s_alleles,
                    loci,
                    &mut stream(SEED, &["founder", name]),
                ),
            })
            .collect();
        let mut registered = BTreeMap::new();
        for founder in &founders {
            let protected_by = PROTECTED.iter().find(|(name, _)| *name == founder.name);
            registered.insert(
                founder.id.clone(),
                RegisterGermplasmRequest {
                    kind: "variety".to_owned(),
                    protected_by: protected_by
                        .map(|(_, who)| (*who).to_owned())
                        .unwrap_or_default(),
                    ..register(founder)
                },
            );
        }
        for (name, _, mother, pollen_parent) in OLD_SELECTIONS {
            let find = |name: &str| founders.iter().find(|parent| parent.name == name).cloned();
            let (Some(mother), Some(pollen_parent)) = (find(mother), find(pollen_parent)) else {
                continue;
            };
            let rng = &mut stream(SEED, &["selection", name]);
            // It was chosen among many, so it is better than its parents in what was looked at.
            let plant = (0..40)
                .map(|_| Plant::offspring(&mother.plant, &pollen_parent.plant, rng))
                .max_by(|a, b| (a.values[0] + a.values[4]).total_cmp(&(b.values[0] + b.values[4])))
                .expect("forty were drawn");
            let selection = Parent {
                id: id(name),
                name: (*name).to_owned(),
                plant,
            };
            registered.insert(
                selection.id.clone(),
                RegisterGermplasmRequest {
                    kind: "selection".to_owned(),
                    seed_parent_id: mother.id.clone(),
                    pollen_parent_id: pollen_parent.id.clone(),
                    rights_standing: "own".to_owned(),
                    ..register(&selection)
                },
            );
            founders.push(selection);
        }
        for n in 1..=size.lines_n {
            let name = format!("Hollow line {n:03}");
            let rng = &mut stream(SEED, &["line", &name]);
            let fruit = match n % 10 {
                3 | 6 => Fruit::Plum,
                7 => Fruit::Apricot,
                _ => Fruit::Peach,
            };
            let s_alleles: &[&str] = match fruit {
                Fruit::Plum => &["Sb", "Sf"],
                Fruit::Apricot => &["S1", "Sc"],
                _ => &[],
            };
            let line = Parent {
                id: id(&name),
                plant: Plant::founder(fruit, s_alleles, &[], rng),
                name,
            };
            registered.insert(
                line.id.clone(),
                RegisterGermplasmRequest {
                    kind: "selection".to_owned(),
                    rights_standing: "own".to_owned(),
                    ..register(&line)
                },
            );
            founders.push(line);
        }
        let seasons = seasons(today, size.seasons_n);
        Self {
            programme: programme.to_owned(),
            climate: Climate::of(*seasons.start() - size.earlier_winters_n..=*seasons.end()),
            size,
            today,
            founders,
            registered,
            mothers: BTreeMap::new(),
            frozen: BTreeMap::new(),
        }
    }

    /// Seasons whose winters were written down at home, oldest first, and the winter under way.
    pub fn winters(&self) -> Vec<i16> {
        let first = *self.years().start() - self.size.earlier_winters_n;
        let old = first - 40 - self.size.old_winters_n..first - 40;
        let under_way = self.today.year() + i16::from(self.today.month() >= 10);
        old.chain(first..=under_way.max(*self.years().end()))
            .collect()
    }

    /// The present day.
    pub fn today(&self) -> Date {
        self.today
    }

    /// When a parent bloomed in a season.
    pub fn bloom(&self, parent: &Parent, year: i16) -> Bloom {
        self.climate.bloom(&parent.plant, &parent.name, year)
    }

    /// An id of something in the story.
    pub fn id(&self, kind: &str, key: &[&str]) -> String {
        keys::id(&self.programme, &format!("demo {kind}"), key).to_string()
    }

    /// The seasons, oldest first; the last is the one whose bloom is over.
    pub fn years(&self) -> std::ops::RangeInclusive<i16> {
        seasons(self.today, self.size.seasons_n)
    }

    /// A founder or old selection by name.
    pub fn founder(&self, name: &str) -> &Parent {
        self.founders
            .iter()
            .find(|parent| parent.name == name)
            .expect("a plant of the story")
    }

    /// A season's crosses, given the seedlings that were chosen so far.
    pub fn crosses(&self, year: i16, chosen: &[Parent]) -> Vec<CrossStory> {
        let season = year.to_string();
        let rng = &mut stream(SEED, &["season", &season]);
        let n = rng.random_range(self.size.crosses_n.clone());
        let parents: Vec<&Parent> = self.founders.iter().chain(chosen).collect();
        let mut crosses = Vec::new();
        let mut pairs = BTreeSet::new();
        let mut draws = 0;
        while crosses.len() < n && draws < 10_000 {
            draws += 1;
            let fruit = match crosses.len() % 10 {
                3 | 6 => Fruit::Plum,
                7 => Fruit::Apricot,
                9 => Fruit::Plumcot,
                _ => Fruit::Peach,
            };
            let (of_mother, of_pollen) = match fruit {
                Fruit::Plumcot => (Fruit::Plum, Fruit::Apricot),
                same => (same, same),
            };
            let pick = |fruit: Fruit, rng: &mut rand_chacha::ChaCha8Rng| {
                let of_fruit: Vec<&&Parent> = parents
                    .iter()
                    .filter(|parent| parent.plant.fruit == fruit)
                    .collect();
                (!of_fruit.is_empty())
                    .then(|| (*of_fruit[rng.random_range(0..of_fruit.len())]).clone())
            };
            let (Some(mother), Some(pollen_parent)) = (pick(of_mother, rng), pick(of_pollen, rng))
            else {
                continue;
            };
            let is_open = crosses.len() == 4;
            if mother.id == pollen_parent.id
                || !pollen_parent.plant.pollinates(&mother.plant)
                || !pairs.insert((mother.id.clone(), pollen_parent.id.clone()))
            {
                continue;
            }
            let key = format!("{year}-{}", crosses.len() + 1);
            let rng = &mut stream(SEED, &["cross", &key]);
            let wanted_n = self.size.fruit_wanted_n;
            let yields = yields(
                &mother.plant,
                &pollen_parent.plant,
                wanted_n,
                self.size.germination,
                rng,
            );
            let seedlings = (0..yields.planted_n)
                .map(|_| Plant::offspring(&mother.plant, &pollen_parent.plant, rng))
                .collect();
            // Flowers are emasculated from balloon stage on.
            let first_pass_on = self.bloom(&mother, year).balloon;
            let last_pass_on = plus(first_pass_on, 2 * (yields.passes.len() as i64 - 1));
            let ripe = TRAITS[3].mean(mother.plant.fruit) + mother.plant.values[3];
            let harvest_on = day_of_year(year, ripe).max(plus(last_pass_on, 75));
            crosses.push(CrossStory {
                id: self.id("cross", &[&key]),
                year,
                objective: objective(fruit, rng),
                wanted_n,
                seedlings,
                first_pass_on,
                last_pass_on,
                harvest_on,
                planted_on: date(year, 11, 10).max(plus(harvest_on, 118)),
                pollen_parent: (!is_open).then_some(pollen_parent),
                mother,
                yields,
            });
        }
        crosses
    }

    /// Everything of a season up to the present day, as one import.
    pub fn season(&mut self, year: i16, crosses: &[CrossStory]) -> ImportSeasonRequest {
        let season = year.to_string();
        let mut request = ImportSeasonRequest {
            seasons: vec![OpenSeasonRequest {
                id: self.id("season", &[&season]),
                year: year.into(),
                site: CROSSING_HOUSE.to_owned(),
                time_zone: TIME_ZONE.to_owned(),
                ..Default::default()
            }],
            ..Default::default()
        };
        if self.years().next() == Some(year) {
            // Parents before offspring: founders first.
            let (old, bare): (Vec<_>, Vec<_>) = self
                .registered
                .values()
                .cloned()
                .partition(|plant| !plant.seed_parent_id.is_empty());
            request.germplasm = bare.into_iter().chain(old).collect();
            let earlier: Vec<i16> = self.climate.seasons().filter(|of| *of < year).collect();
            for of in earlier {
                for founder in &self.founders {
                    self.add_bloom(founder, of, &mut request);
                }
            }
        }
        let founders = self.founders.iter();
        let mothers = crosses.iter().map(|cross| &cross.mother);
        for parent in founders.chain(mothers) {
            self.add_bloom(parent, year, &mut request);
        }
        self.add_mothers(year, crosses, &mut request);
        let lots = self.add_pollen(year, crosses, &mut request);
        for (place, cross) in crosses.iter().enumerate() {
            self.add_cross(place, cross, &lots, &mut request);
        }
        let mut first_row = 1;
        for cross in crosses {
            let planted_n = cross.yields.planted_n;
            if cross.planted_on > self.today || planted_n == 0 {
                continue;
            }
            request.seedlings.push(PlantSeedlingsRequest {
                cross_id: cross.id.clone(),
                id: self.id("planting", &[&cross.id]),
                planted_n,
                block: format!("S{:02}", year % 100),
                first_row,
                plants_per_row: Some(25),
                on: cross.planted_on.to_string(),
                site: super::loading::HOME_SITE.to_owned(),
                by: "Tomas Brekke".to_owned(),
                ..Default::default()
            });
            first_row += planted_n.div_ceil(25);
        }
        self.keep_past(&mut request);
        request
    }

    fn add_mothers(
        &mut self,
        year: i16,
        crosses: &[CrossStory],
        request: &mut ImportSeasonRequest,
    ) {
        for cross in crosses {
            let variety = &cross.mother.id;
            if self.mothers.contains_key(variety) {
                continue;
            }
            let place = self.mothers.len() as u32;
            self.mothers.insert(variety.clone(), year);
            request.mothers.push(RegisterMotherRequest {
                id: self.id("mother", &[variety]),
                germplasm_id: variety.clone(),
                house: "Bloom House".to_owned(),
                row: 1 + place / 12,
                position: 1 + place % 12,
                container_l: Some(60.0),
                on: date(year - 1, 11, 20).to_string(),
                ..Default::default()
            });
        }
        let mut mothers: BTreeMap<&str, (Date, Date)> = BTreeMap::new();
        for cross in crosses.iter().filter(|cross| cross.pollen_parent.is_some()) {
            let days = mothers
                .entry(&cross.mother.id)
                .or_insert((cross.first_pass_on, cross.last_pass_on));
            *days = (
                days.0.min(cross.first_pass_on),
                days.1.max(cross.last_pass_on),
            );
        }
        for (variety, (first, last)) in mothers {
            let rng = &mut stream(SEED, &["mother", variety, &year.to_string()]);
            let mut note = |kind: &str, on: Date, flowers_n: Option<u32>| {
                request.mother_events.push(RecordMotherEventRequest {
                    mother_id: self.id("mother", &[variety]),
                    id: self.id("mother event", &[variety, kind, &year.to_string()]),
                    kind: kind.to_owned(),
                    on: on.to_string(),
                    flowers_n,
                    by: "Tomas Brekke".to_owned(),
                    ..Default::default()
                });
            };
            let covered = rng.random_bool(0.8);
            if covered {
                note("covered", plus(first, -1), None);
            }
            if rng.random_bool(0.1) {
                note("insects_seen", plus(first, 1), None);
            }
            if rng.random_bool(0.88) {
                note("stripped", plus(last, 7), Some(rng.random_range(8..=22)));
            }
            if covered {
                note("uncovered", plus(last, 16), None);
            }
        }
    }

    /// Notes of a plant's bloom in a season, once.
    fn add_bloom(&self, parent: &Parent, year: i16, request: &mut ImportSeasonRequest) {
        let bloom = self.bloom(parent, year);
        let stages = [
            ("balloon", 59, bloom.balloon),
            ("full", 65, bloom.full_bloom),
            ("end", 69, bloom.end),
        ];
        for (kind, bbch, on) in stages {
            let id = self.id("bloom", &[&parent.id, kind, &year.to_string()]);
            if request.bloom_records.iter().any(|record| record.id == id) {
                continue;
            }
            request.bloom_records.push(RecordBloomRequest {
                id,
                germplasm_id: parent.id.clone(),
                on: on.to_string(),
                stage_bbch: bbch,
                site: CROSSING_HOUSE.to_owned(),
                by: "Ines Halvard".to_owned(),
                ..Default::default()
            });
        }
    }

    /// Pollen lots by pollen parent.
    ///
    /// Flowers are gathered at balloon stage on the morning before the pass that needs them, and a
    /// fresh vial every few days while there are balloons. A variety that blooms too late for a
    /// mother serves her from last year's freezer, or from branches brought on in the warm; one that
    /// blooms too early from a vial, which keeps for the season.
    fn add_pollen(
        &mut self,
        year: i16,
        crosses: &[CrossStory],
        request: &mut ImportSeasonRequest,
    ) -> BTreeMap<String, Vec<LotAtHand>> {
        let mut wanted: BTreeMap<&str, (&Parent, BTreeMap<Date, u32>)> = BTreeMap::new();
        for cross in crosses {
            let Some(parent) = &cross.pollen_parent else {
                continue;
            };
            let uses = &mut wanted
                .entry(&parent.id)
                .or_insert((parent, BTreeMap::new()))
                .1;
            for (on, pass) in cross.pass_days().zip(&cross.yields.passes) {
                *uses.entry(on).or_default() += pass.pollinated_n;
            }
        }
        let mut all = BTreeMap::new();
        for (id, (parent, uses)) in wanted {
            let lots = self.lots_of(parent, year, &uses, request);
            all.insert(id.to_owned(), lots);
        }
        // What was frozen a year ago has served its year.
        let stale: Vec<FrozenLot> = self
            .frozen
            .values()
            .filter(|lot| lot.season < year)
            .cloned()
            .collect();
        let season_over = date(year, 4, 2);
        for lot in stale {
            let mut event = self.lot_event(&lot.id, "discarded", season_over);
            event.reason = "frozen for a year".to_owned();
            request.pollen_events.push(event);
        }
        self.frozen.retain(|_, lot| lot.season == year);
        all
    }

    fn lots_of(
        &mut self,
        parent: &Parent,
        year: i16,
        uses: &BTreeMap<Date, u32>,
        request: &mut ImportSeasonRequest,
    ) -> Vec<LotAtHand> {
        let rng = &mut stream(SEED, &["pollen", &parent.id, &year.to_string()]);
        let balloon = self.bloom(parent, year).balloon;
        let balloons = plus(balloon, -BALLOONS_BEFORE)..=plus(balloon, BALLOONS_AFTER);
        let (Some((&first, _)), Some((&last, _))) = (uses.first_key_value(), uses.last_key_value())
        else {
            return Vec::new();
        };
        let flowers_n: u32 = uses.values().sum();
        let mut lots: Vec<LotAtHand> = Vec::new();
        let too_late = plus(first, -1) < *balloons.start();
        if too_late && let Some(lot) = self.frozen.get(&parent.id) {
            request
                .pollen_events
                .push(self.lot_event(&lot.id, "thawed", first));
            lots.push(LotAtHand {
                id: lot.id.clone(),
                from: first,
                is_frozen: true,
            });
        } else if too_late {
            let day = plus(first, -1);
            let note = "cut branches brought on in the warm room; it blooms after the mother";
            lots.push(self.gather(parent, day, 40 + flowers_n / 4, note, rng, request));
        } else if plus(first, -1) > *balloons.end() {
            let day = *balloons.end();
            lots.push(self.gather(parent, day, 40 + flowers_n / 2, "", rng, request));
        }
        for &on in uses.keys() {
            let day = plus(on, -1);
            let fresh = lots
                .iter()
                .any(|lot| !lot.is_frozen && on < plus(lot.from, FRESH_AFTER));
            if balloons.contains(&day) && !fresh {
                lots.push(self.gather(parent, day, 40 + flowers_n / 3, "", rng, request));
            }
        }
        for lot in lots.iter().filter(|lot| !lot.is_frozen) {
            let mut event = self.lot_event(&lot.id, "discarded", plus(last, 40));
            event.reason = "the season is over".to_owned();
            request.pollen_events.push(event);
        }
        // Two of three are also frozen for the mothers that bloom before them next year.
        if stream(SEED, &["frozen", &parent.id]).random_bool(0.67) {
            let note = "for next year’s early mothers";
            let day = plus(balloon, 2);
            let lot = self.gather_as(parent, "frozen", day, 90, note, rng, request);
            let mut event = self.lot_event(&lot.id, "stored", plus(day, 1));
            event.place = "freezer".to_owned();
            request.pollen_events.push(event);
            let lot = FrozenLot {
                id: lot.id,
                season: year,
            };
            // The old one is discarded with the season; its successor takes its place then.
            if let Some(old) = self.frozen.insert(parent.id.clone(), lot) {
                let mut event = self.lot_event(&old.id, "discarded", date(year, 4, 2));
                event.reason = "frozen for a year".to_owned();
                request.pollen_events.push(event);
            }
        }
        lots
    }

    fn gather(
        &self,
        parent: &Parent,
        day: Date,
        flowers_n: u32,
        note: &str,
        rng: &mut rand_chacha::ChaCha8Rng,
        request: &mut ImportSeasonRequest,
    ) -> LotAtHand {
        self.gather_as(parent, &day.to_string(), day, flowers_n, note, rng, request)
    }

    /// Gathers a lot, which is dry on the next morning.
    #[expect(
        clippy::too_many_arguments,
        reason = "a lot is what it is named, when and of what"
    )]
    fn gather_as(
        &self,
        parent: &Parent,
        name: &str,
        day: Date,
        flowers_n: u32,
        note: &str,
        rng: &mut rand_chacha::ChaCha8Rng,
        request: &mut ImportSeasonRequest,
    ) -> LotAtHand {
        let lot = self.id("lot", &[&parent.id, &day.year().to_string(), name]);
        request.pollen_lots.push(GatherPollenRequest {
            id: lot.clone(),
            germplasm_id: parent.id.clone(),
            gathered_on: day.to_string(),
            flowers_n,
            stage_bbch: if rng.random_bool(0.95) { 59 } else { 60 },
            by: "Tomas Brekke".to_owned(),
            note: note.to_owned(),
            site: CROSSING_HOUSE.to_owned(),
        });
        let dried = plus(day, 1);
        request
            .pollen_events
            .push(self.lot_event(&lot, "dried", dried));
        if rng.random_bool(0.4) {
            request.pollen_events.push(RecordPollenEventRequest {
                tested_n: Some(200),
                germinated_n: Some(rng.random_range(96..168)),
                ..self.lot_event(&lot, "tested", dried)
            });
        }
        LotAtHand {
            id: lot,
            from: dried,
            is_frozen: false,
        }
    }

    fn lot_event(&self, lot: &str, kind: &str, on: Date) -> RecordPollenEventRequest {
        RecordPollenEventRequest {
            pollen_lot_id: lot.to_owned(),
            id: self.id("lot event", &[lot, kind]),
            kind: kind.to_owned(),
            on: on.to_string(),
            by: "Tomas Brekke".to_owned(),
            ..Default::default()
        }
    }

    fn add_cross(
        &self,
        place: usize,
        cross: &CrossStory,
        lots: &BTreeMap<String, Vec<LotAtHand>>,
        request: &mut ImportSeasonRequest,
    ) {
        let by = || "Tomas Brekke".to_owned();
        let mother_id = self.id("mother", &[&cross.mother.id]);
        request.crosses.push(PlanCrossRequest {
            id: cross.id.clone(),
            season: cross.year.to_string(),
            seed_parent_id: cross.mother.id.clone(),
            pollen_parent_id: cross
                .pollen_parent
                .as_ref()
                .map_or("open".to_owned(), |p| p.id.clone()),
            objective: cross.objective.to_owned(),
            fruit_wanted_n: cross.wanted_n,
            mother_ids: vec![mother_id.clone()],
            number: Some(place as u32 + 1),
        });
        let is_open = cross.pollen_parent.is_none();
        if let Some(parent) = &cross.pollen_parent {
            let lots = lots.get(&parent.id).map_or(&[][..], Vec::as_slice);
            let passes = cross.pass_days().zip(&cross.yields.passes);
            for (n, (on, pass)) in passes.enumerate() {
                let at_hand = lots.iter().filter(|lot| lot.from <= on);
                let lot = at_hand.max_by_key(|lot| (!lot.is_frozen, lot.from));
                request.passes.push(RecordPassRequest {
                    cross_id: cross.id.clone(),
                    id: self.id("pass", &[&cross.id, &n.to_string()]),
                    on: on.to_string(),
                    pollen_lot_id: lot.map(|lot| lot.id.clone()).unwrap_or_default(),
                    mother_id: mother_id.clone(),
                    flowers_emasculated_n: pass.emasculated_n,
                    flowers_pollinated_n: pass.pollinated_n,
                    stray_open_flowers_n: pass.strays_n,
                    unfit_n: Some(pass.unfit_n),
                    by: by(),
                    ..Default::default()
                });
            }
            request.fruit.push(RecordFruitRequest {
                cross_id: cross.id.clone(),
                id: self.id("fruit set", &[&cross.id]),
                on: plus(cross.last_pass_on, 38).to_string(),
                set_n: Some(cross.yields.set_n),
                by: by(),
                ..Default::default()
            });
        }
        let y = &cross.yields;
        request.fruit.push(RecordFruitRequest {
            cross_id: cross.id.clone(),
            id: self.id("harvest", &[&cross.id]),
            on: cross.harvest_on.to_string(),
            harvested_n: Some(y.harvested_n),
            stones_n: Some(y.harvested_n),
            by: by(),
            note: if is_open {
                "open-pollinated fruit from the orchard".to_owned()
            } else {
                String::new()
            },
            ..Default::default()
        });
        let sound_n = y.extracted_n - y.empty_n;
        let germinated_on = plus(cross.harvest_on, 104);
        let steps = [
            ("extracted", 2, y.extracted_n, ""),
            ("lost", 3, y.empty_n, "empty"),
            ("stratified", 4, sound_n, ""),
            ("germinated", 104, y.germinated_n, ""),
            ("lost", 112, sound_n - y.germinated_n, "not_germinated"),
        ];
        for (step, after, seed_n, cause) in steps.into_iter().filter(|(_, _, n, _)| *n > 0) {
            request.seed.push(RecordSeedRequest {
                cross_id: cross.id.clone(),
                id: self.id("seed", &[&cross.id, step, cause]),
                on: plus(cross.harvest_on, after).to_string(),
                step: step.to_owned(),
                seed_n,
                cause: cause.to_owned(),
                by: by(),
                ..Default::default()
            });
        }
        debug_assert!(cross.planted_on >= germinated_on);
    }

    /// Leaves out what lies ahead, and puts the rest in the order of its days.
    fn keep_past(&self, request: &mut ImportSeasonRequest) {
        let today = self.today.to_string();
        request.bloom_records.retain(|row| row.on <= today);
        request.pollen_lots.retain(|row| row.gathered_on <= today);
        request.pollen_events.retain(|row| row.on <= today);
        request.pollen_events.sort_by(|a, b| a.on.cmp(&b.on));
        request.mother_events.retain(|row| row.on <= today);
        request.passes.retain(|row| row.on <= today);
        request.fruit.retain(|row| row.on <= today);
        request.seed.retain(|row| row.on <= today);
        request.bloom_records.sort_by(|a, b| a.on.cmp(&b.on));
        request.mother_events.sort_by(|a, b| a.on.cmp(&b.on));
        request.passes.sort_by(|a, b| a.on.cmp(&b.on));
        request.fruit.sort_by(|a, b| a.on.cmp(&b.on));
        request.seed.sort_by(|a, b| a.on.cmp(&b.on));
    }
}

fn register(parent: &Parent) -> RegisterGermplasmRequest {
    RegisterGermplasmRequest {
        id: parent.id.clone(),
        name: parent.name.clone(),
        species: parent.plant.fruit.species().to_owned(),
        s_alleles: parent.plant.s_alleles.clone(),
        loci: parent.plant.genotypes().into_iter().collect(),
        traits: noted_traits(parent).into_iter().collect(),
        ..Default::default()
    }
}

/// What was noted of a parent's fruit over the years: the mean of many trees and seasons.
fn noted_traits(parent: &Parent) -> BTreeMap<String, String> {
    TRAITS
        .iter()
        .zip(parent.plant.values)
        .map(|(of, value)| {
            let noted = of.written(of.mean(parent.plant.fruit) + value);
            let name = match of.code {
                "ripening_date" => "ripening_day",
                code => code,
            };
            (name.to_owned(), noted.to_string())
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::climate::Kind;

    #[test]
    fn the_story_is_the_same_every_time() {
        let tell = || {
            let mut story = Story::new("p", Size::SMALL, date(2026, 11, 25));
            let year = *story.years().start();
            let crosses = story.crosses(year, &[]);
            serde_json::to_string(&story.season(year, &crosses)).unwrap()
        };
        assert_eq!(tell(), tell());
    }

    #[test]
    fn a_season_is_as_large_as_a_breeder_expects() {
        let story = Story::new("p", Size::FULL, date(2026, 11, 25));
        assert_eq!(story.years(), 2021..=2026);
        for year in story.years() {
            let crosses = story.crosses(year, &[]);
            let seedlings: usize = crosses.iter().map(|cross| cross.seedlings.len()).sum();
            assert!(
                (25..=40).contains(&crosses.len()),
                "{year}: {} crosses",
                crosses.len()
            );
            assert!(
                (250..=700).contains(&seedlings),
                "{year}: {seedlings} seedlings"
            );
        }
    }

    /// The seasons of a story, each told as it is imported.
    fn told(size: Size) -> (Story, Vec<(Vec<CrossStory>, ImportSeasonRequest)>) {
        let mut story = Story::new("p", size, date(2026, 11, 25));
        let seasons = story
            .years()
            .map(|year| {
                let crosses = story.crosses(year, &[]);
                let request = story.season(year, &crosses);
                (crosses, request)
            })
            .collect();
        (story, seasons)
    }

    fn day(text: &str) -> Date {
        text.parse().expect("a day")
    }

    fn days_from(first: Date, last: Date) -> i32 {
        (last - first).get_days()
    }

    /// Season of six to eight weeks from late January to mid March, five to seven passes to a
    /// mother, about 100 fruits wanted (common practice, no source).
    #[test]
    fn seasons_run_as_the_trade_knows_them() {
        let (_, seasons) = told(Size::FULL);
        let mut lengths = Vec::new();
        for (crosses, request) in &seasons {
            let first = request.passes.iter().map(|p| day(&p.on)).min().unwrap();
            let last = request.passes.iter().map(|p| day(&p.on)).max().unwrap();
            let year = first.year();
            println!(
                "{year}, {:?}: {first} to {last}, {} days",
                Kind::of(year),
                days_from(first, last)
            );
            // For want of chill the trees bloom late after a poor winter.
            let latest_first = match Kind::of(year) {
                Kind::Poor => date(year, 2, 20),
                _ => date(year, 2, 8),
            };
            assert!(
                (date(year, 1, 12)..=latest_first).contains(&first),
                "{first}"
            );
            assert!(
                (date(year, 2, 24)..=date(year, 3, 28)).contains(&last),
                "{last}"
            );
            if Kind::of(year) == Kind::Usual {
                lengths.push(f64::from(days_from(first, last)) / 7.0);
            }
            for cross in crosses.iter().filter(|c| c.pollen_parent.is_some()) {
                let passes_n = request
                    .passes
                    .iter()
                    .filter(|p| p.cross_id == cross.id)
                    .count();
                assert!((5..=7).contains(&passes_n), "{passes_n} passes");
                assert_eq!(cross.wanted_n, 100);
            }
        }
        let mean = lengths.iter().sum::<f64>() / lengths.len() as f64;
        assert!((6.0..=8.0).contains(&mean), "{mean} weeks on average");
    }

    /// Pollen of balloon flowers gathered one morning is used from the next day on; a vial serves
    /// the season and a frozen one about a year (common practice, no source).
    #[test]
    fn pollen_is_used_as_the_trade_uses_it() {
        let (_, seasons) = told(Size::FULL);
        let lots: BTreeMap<&str, &GatherPollenRequest> = seasons
            .iter()
            .flat_map(|(_, request)| &request.pollen_lots)
            .map(|lot| (lot.id.as_str(), lot))
            .collect();
        let mut first_use: BTreeMap<&str, Date> = BTreeMap::new();
        let mut ages = Vec::new();
        for pass in seasons.iter().flat_map(|(_, request)| &request.passes) {
            let lot = lots
                .get(pass.pollen_lot_id.as_str())
                .expect("every pass has its lot");
            let on = day(&pass.on);
            ages.push(days_from(day(&lot.gathered_on), on));
            let first = first_use.entry(&lot.id).or_insert(on);
            *first = on.min(*first);
        }
        assert!(ages.iter().all(|age| (1..=400).contains(age)), "{ages:?}");
        let fresh: Vec<i32> = first_use
            .iter()
            .map(|(lot, on)| days_from(day(&lots[lot].gathered_on), *on))
            .filter(|age| *age < 60)
            .collect();
        let next_day = fresh.iter().filter(|age| **age == 1).count();
        println!(
            "{next_day} of {} fresh lots are used on the day after",
            fresh.len()
        );
        assert!(next_day * 10 >= fresh.len() * 7);
        let balloon = lots.values().filter(|lot| lot.stage_bbch == 59).count();
        assert!(
            balloon * 10 >= lots.len() * 9,
            "{balloon} of {}",
            lots.len()
        );
        let frozen = ages.iter().filter(|age| **age > 250).count();
        println!(
            "{frozen} of {} passes use pollen frozen for about a year",
            ages.len()
        );
        assert!(frozen > 0 && frozen * 3 < ages.len());
    }

    /// About 15 late flowers are found on a mother a week after she was thought finished (common
    /// practice, no source).
    #[test]
    fn late_flowers_are_stripped_a_week_later() {
        let (_, seasons) = told(Size::FULL);
        let mut late = Vec::new();
        for (crosses, request) in &seasons {
            for event in request
                .mother_events
                .iter()
                .filter(|e| e.kind == "stripped")
            {
                let last = crosses
                    .iter()
                    .filter(|c| c.pollen_parent.is_some())
                    .flat_map(|c| request.passes.iter().filter(move |p| p.cross_id == c.id))
                    .filter(|p| p.mother_id == event.mother_id)
                    .map(|p| day(&p.on))
                    .max()
                    .expect("she had a pass");
                assert_eq!(days_from(last, day(&event.on)), 7);
                late.push(f64::from(event.flowers_n.unwrap()));
            }
        }
        let mean = late.iter().sum::<f64>() / late.len() as f64;
        assert!((13.0..=17.0).contains(&mean), "{mean} of {}", late.len());
    }

    /// A crossing house at full work has the pollen of 100 to 150 varieties in hand on a full day:
    /// gathered, coming dry or in a vial that goes to the greenhouse (common practice, no source).
    #[test]
    fn a_large_house_handles_a_hundred_pollens_on_a_full_day() {
        let (_, seasons) = told(Size::LARGE);
        for (_, request) in &seasons {
            let of_lot: BTreeMap<&str, &str> = request
                .pollen_lots
                .iter()
                .map(|lot| (lot.id.as_str(), lot.germplasm_id.as_str()))
                .collect();
            let mut in_hand: BTreeMap<Date, BTreeSet<&str>> = BTreeMap::new();
            for lot in &request.pollen_lots {
                let gathered = day(&lot.gathered_on);
                for on in [gathered, plus(gathered, 1)] {
                    in_hand.entry(on).or_default().insert(&lot.germplasm_id);
                }
            }
            for pass in &request.passes {
                if let Some(variety) = of_lot.get(pass.pollen_lot_id.as_str()) {
                    in_hand.entry(day(&pass.on)).or_default().insert(variety);
                }
            }
            let (on, fullest) = in_hand
                .iter()
                .map(|(on, varieties)| (on, varieties.len()))
                .max_by_key(|(_, n)| *n)
                .unwrap();
            println!("{on}: pollen of {fullest} varieties in hand");
            assert!((100..=150).contains(&fullest), "{fullest} on {on}");
        }
    }

    #[test]
    fn nothing_lies_ahead() {
        let mut story = Story::new("p", Size::SMALL, date(2026, 6, 1));
        let year = *story.years().end();
        let crosses = story.crosses(year, &[]);
        let request = story.season(year, &crosses);
        assert!(request.seed.is_empty() && request.seedlings.is_empty());
        assert!(!request.passes.is_empty());
    }
}
