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
use rand_distr::{Distribution as _, Normal};

use super::biology::{Fruit, Plant, Yield, stream, yields};
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
}

impl Size {
    /// What `up --demo` loads.
    pub const FULL: Self = Self {
        seasons_n: 6,
        crosses_n: 26..=36,
        fruit_wanted_n: 100,
        germination: 0.22,
        past_selections_n: 120,
    };
    /// Enough to see everything once.
    pub const SMALL: Self = Self {
        seasons_n: 6,
        crosses_n: 3..=4,
        fruit_wanted_n: 100,
        germination: 0.30,
        past_selections_n: 40,
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

/// The story of the programme, as far as the crossing house goes.
pub struct Story {
    programme: String,
    size: Size,
    today: Date,
    /// Varieties and selections from before the first season.
    pub founders: Vec<Parent>,
    registered: BTreeMap<String, RegisterGermplasmRequest>,
    mothers: BTreeMap<String, i16>,
}

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
        Self {
            programme: programme.to_owned(),
            size,
            today,
            founders,
            registered,
            mothers: BTreeMap::new(),
        }
    }

    /// An id of something in the story.
    pub fn id(&self, kind: &str, key: &[&str]) -> String {
        keys::id(&self.programme, &format!("demo {kind}"), key).to_string()
    }

    /// The seasons, oldest first; the last is the one whose bloom is over.
    pub fn years(&self) -> std::ops::RangeInclusive<i16> {
        let last = if self.today.month() >= 4 {
            self.today.year()
        } else {
            self.today.year() - 1
        };
        last - self.size.seasons_n + 1..=last
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
        let shift = Normal::new(0.0, 4.0).map_or(0.0, |normal| normal.sample(rng));
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
            let first_pass_on = day_of_year(year, mother.plant.bloom_day + shift - 3.0);
            let last_pass_on = plus(first_pass_on, 2 * (yields.passes.len() as i64 - 1));
            let ripe = super::biology::TRAITS[3].mean(mother.plant.fruit) + mother.plant.values[3];
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
                note("stripped", plus(last, 7), Some(rng.random_range(1..14)));
            }
            if covered {
                note("uncovered", plus(last, 16), None);
            }
        }
        for cross in crosses {
            for (kind, bbch, day) in [("balloon", 59, -1), ("full", 65, 3), ("past", 67, 9)] {
                let id = self.id("bloom", &[&cross.mother.id, kind, &year.to_string()]);
                if request.bloom_records.iter().any(|record| record.id == id) {
                    continue;
                }
                request.bloom_records.push(RecordBloomRequest {
                    id,
                    germplasm_id: cross.mother.id.clone(),
                    on: plus(cross.first_pass_on, day).to_string(),
                    stage_bbch: bbch,
                    site: CROSSING_HOUSE.to_owned(),
                    by: "Ines Halvard".to_owned(),
                    ..Default::default()
                });
            }
        }
    }

    /// Pollen lots by pollen parent: a first one before the earliest pass, a fresh one a week later.
    fn add_pollen(
        &self,
        year: i16,
        crosses: &[CrossStory],
        request: &mut ImportSeasonRequest,
    ) -> BTreeMap<String, Vec<(String, Date)>> {
        let mut wanted: BTreeMap<&str, (Date, Date, u32)> = BTreeMap::new();
        for cross in crosses {
            let Some(parent) = &cross.pollen_parent else {
                continue;
            };
            let flowers: u32 = cross
                .yields
                .passes
                .iter()
                .map(|pass| pass.pollinated_n)
                .sum();
            let all =
                wanted
                    .entry(&parent.id)
                    .or_insert((cross.first_pass_on, cross.last_pass_on, 0));
            *all = (
                all.0.min(cross.first_pass_on),
                all.1.max(cross.last_pass_on),
                all.2 + flowers,
            );
        }
        let mut lots = BTreeMap::new();
        for (parent, (first, last, flowers)) in wanted {
            let rng = &mut stream(SEED, &["pollen", parent, &year.to_string()]);
            let mut days = vec![plus(first, -2)];
            if plus(first, 6) < last {
                days.push(plus(first, 5));
            }
            let share = flowers.div_ceil(days.len() as u32);
            let mut of_parent = Vec::new();
            for (place, day) in days.into_iter().enumerate() {
                let key = [parent, &year.to_string(), &place.to_string()];
                let lot = self.id("lot", &key);
                request.pollen_lots.push(GatherPollenRequest {
                    id: lot.clone(),
                    germplasm_id: parent.to_owned(),
                    gathered_on: day.to_string(),
                    flowers_n: 40 + share / 2,
                    stage_bbch: if rng.random_bool(0.95) { 59 } else { 60 },
                    by: "Tomas Brekke".to_owned(),
                    note: "cut branches brought on in the warm room where bloom was late"
                        .to_owned(),
                    site: CROSSING_HOUSE.to_owned(),
                });
                let event = |kind: &str, on: Date| RecordPollenEventRequest {
                    pollen_lot_id: lot.clone(),
                    id: self.id("lot event", &[&lot, kind]),
                    kind: kind.to_owned(),
                    on: on.to_string(),
                    by: "Tomas Brekke".to_owned(),
                    ..Default::default()
                };
                // Now and then nobody wrote down that it was dry; that is how warnings come about.
                if rng.random_bool(0.95) {
                    let dried = plus(day, 1);
                    request.pollen_events.push(event("dried", dried));
                    if rng.random_bool(0.4) {
                        request.pollen_events.push(RecordPollenEventRequest {
                            tested_n: Some(200),
                            germinated_n: Some(rng.random_range(96..168)),
                            ..event("tested", dried)
                        });
                    }
                    if rng.random_bool(0.3) {
                        request.pollen_events.push(RecordPollenEventRequest {
                            place: "freezer".to_owned(),
                            ..event("stored", plus(last, 2))
                        });
                    } else {
                        request.pollen_events.push(RecordPollenEventRequest {
                            reason: "the season is over".to_owned(),
                            ..event("discarded", plus(last, 40))
                        });
                    }
                }
                of_parent.push((lot, plus(day, 1)));
            }
            lots.insert(parent.to_owned(), of_parent);
        }
        lots
    }

    fn add_cross(
        &self,
        place: usize,
        cross: &CrossStory,
        lots: &BTreeMap<String, Vec<(String, Date)>>,
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
            for (n, pass) in cross.yields.passes.iter().enumerate() {
                let on = plus(cross.first_pass_on, 2 * n as i64);
                let lot = lots
                    .iter()
                    .rev()
                    .find(|(_, dry)| *dry <= on)
                    .or(lots.first());
                request.passes.push(RecordPassRequest {
                    cross_id: cross.id.clone(),
                    id: self.id("pass", &[&cross.id, &n.to_string()]),
                    on: on.to_string(),
                    pollen_lot_id: lot.map(|(id, _)| id.clone()).unwrap_or_default(),
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
        ..Default::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
