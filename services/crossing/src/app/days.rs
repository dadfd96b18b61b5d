//! The day's list: what one day of bloom asks for, worked out from what is planned and done.
//!
//! A handful of queries bring the season's crosses, mothers, lots and notes of bloom; the rest is
//! arithmetic. Intervals are common practice: a mother is gone over every other day while she
//! blooms, and stripped of late flowers a week after the last pass.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use contract::common::Document;
use contract::crossing::{
    CrossCounts, DayBundle, DayGathering, DayList, DayLot, DayMother, GetDayBundleRequest,
    GetDayRequest, PrintDayRequest,
};
use jiff::ToSpan as _;
use jiff::civil::Date;
use paper::{PageSize, Paper};
use phenology::pollen::{FlowerYield, PollenUse, ViabilityCurve, flowers_to_gather};
use platform::compute;
use platform::database::Day;
use platform::{Fault, Fields, Unit};

use super::advice::fruit_sets;
use super::{crosses, mothers, pollen};
use crate::CrossingApp;
use crate::domain::ledger::{LotState, days_between};
use crate::domain::windows::{Note, bloom};
use crate::domain::{CrossId, MotherId, PlantId, numbers};
use crate::store::crosses::{self as cross_store, CrossRow};
use crate::store::mothers::{self as mother_store, MotherEventRow, MotherRow};
use crate::store::pollen::{self as pollen_store, KeptLot};
use crate::store::seasons::{self as season_store, SeasonRow};

/// Days between two passes over a mother in bloom.
const BETWEEN_PASSES_DAYS: i64 = 2;
/// Days after the last pass on which late flowers are taken off.
const STRIP_AFTER_DAYS: i64 = 7;
/// Days after the last pass beyond which late flowers have faded.
const STRIP_UNTIL_DAYS: i64 = 28;
/// Days before bloom on which covers go on.
const COVER_BEFORE_DAYS: i64 = 2;
/// Days that a mother is taken to bloom after a pass when nothing was noted.
const BLOOM_AFTER_PASS_DAYS: i64 = 8;
/// Days around the expected first flowers in which balloons are to be found.
const BALLOON_AROUND_DAYS: i64 = 3;
/// Days after gathering within which a lot that nobody wrote down as dry is looked for.
const DRYING_DAYS: i64 = 4;

/// All that a day's list is worked out from.
struct Scene {
    day: Date,
    /// The last day of which all is known: the day itself, or the one before when it is looked at as
    /// it stood in the morning.
    known_until: Date,
    /// Where trees of pollen parents stand.
    places: HashMap<PlantId, Vec<String>>,
    season: Option<SeasonRow>,
    crosses: Vec<CrossRow>,
    counts: HashMap<CrossId, CrossCounts>,
    last_passes: HashMap<(CrossId, Option<MotherId>), (Date, u32)>,
    /// The last pass over each mother, whatever the cross.
    last_over: HashMap<MotherId, Date>,
    mothers: Vec<MotherRow>,
    events: HashMap<MotherId, Vec<MotherEventRow>>,
    notes: HashMap<PlantId, Vec<Note>>,
    lots: Vec<(KeptLot, LotState)>,
    /// Flowers that each cross's wanted fruit asks for.
    flowers_needed: HashMap<CrossId, u32>,
}

/// One mother of one cross on the day.
struct Work<'a> {
    cross: &'a CrossRow,
    mother: &'a MotherRow,
    last_pass: Option<Date>,
    passes_n: u32,
    to_pollinate_n: u32,
    covered: bool,
    in_bloom: Option<bool>,
}

impl Scene {
    async fn read(unit: &mut Unit, day: Date, morning: bool) -> Result<Self, Fault> {
        let known_until = if morning {
            day.checked_sub(1.day()).unwrap_or(day)
        } else {
            day
        };
        let seasons = season_store::all(unit.connection()).await?;
        let season = seasons
            .iter()
            .find(|season| (season.opens_on.0..=season.closes_on.0).contains(&day))
            .or_else(|| {
                seasons
                    .iter()
                    .find(|season| season.year == i32::from(day.year()))
            })
            .cloned();
        let filter = cross_store::Filter {
            season: Some(season.as_ref().map_or(i32::MIN, |season| season.year)),
            going: true,
            ..cross_store::Filter::default()
        };
        let crosses = cross_store::list(unit.connection(), &filter, None, i64::MAX).await?;
        let ids: Vec<CrossId> = crosses.iter().map(|cross| cross.id).collect();
        let counts =
            cross_store::counts_until(unit.connection(), &ids, Some(Day(known_until))).await?;
        let last: Vec<(CrossId, Option<MotherId>, Day, i64)> = sqlx::query_as(
            "select cross_id, mother_id, max(on_day), count(*) from pass \
             where programme_id = current_programme() and cross_id = any($1) and on_day <= $2 \
             group by cross_id, mother_id",
        )
        .bind(&ids)
        .bind(Day(known_until))
        .fetch_all(unit.connection())
        .await?;
        let mothers = mother_store::standing(unit.connection(), Day(day)).await?;
        let mother_ids: Vec<MotherId> = mothers.iter().map(|mother| mother.id).collect();
        let mut events = mother_store::events(unit.connection(), &mother_ids).await?;
        for events in events.values_mut() {
            events.retain(|event| event.on_day.0 <= known_until);
        }
        let plants: BTreeSet<PlantId> = crosses
            .iter()
            .flat_map(|cross| std::iter::once(cross.seed_parent_id).chain(cross.pollen_parent_id))
            .collect();
        let plants: Vec<PlantId> = plants.into_iter().collect();
        let mut notes = season_store::bloom_notes(unit.connection(), &plants).await?;
        for notes in notes.values_mut() {
            notes.retain(|note| note.on <= known_until);
        }
        let species: HashMap<PlantId, String> = sqlx::query_as(
            "select id, species from germplasm where programme_id = current_programme() \
             and id = any($1)",
        )
        .bind(&plants)
        .fetch_all(unit.connection())
        .await?
        .into_iter()
        .collect();
        let lots = pollen_store::kept(unit.connection(), None, Day(known_until)).await?;
        let lots = lots
            .into_iter()
            .map(|kept| {
                let mut lot = kept.lot();
                lot.entries.retain(|entry| entry.on <= known_until);
                let state = lot.on(day);
                (kept, state)
            })
            .collect();
        let places = places(unit, &crosses, &mothers).await?;
        let sets = fruit_sets(unit, None).await?;
        let species_of = |plant: PlantId| species.get(&plant).map_or("", String::as_str);
        let flowers_needed = crosses
            .iter()
            .map(|cross| {
                let pollen = cross.pollen_parent_id.unwrap_or(cross.seed_parent_id);
                let own = species_of(cross.seed_parent_id);
                let set = sets.expect(cross.seed_parent_id, own, species_of(pollen));
                let wanted_n = u32::try_from(cross.fruit_wanted_n).unwrap_or(0);
                (cross.id, set.flowers_for(wanted_n))
            })
            .collect();
        let mut last_over: HashMap<MotherId, Date> = HashMap::new();
        for (_, mother, on, _) in &last {
            if let Some(mother) = mother {
                let latest = last_over.entry(*mother).or_insert(on.0);
                *latest = on.0.max(*latest);
            }
        }
        Ok(Self {
            day,
            known_until,
            last_over,
            places,
            season,
            counts,
            last_passes: last
                .into_iter()
                .map(|(cross, mother, on, n)| {
                    ((cross, mother), (on.0, u32::try_from(n).unwrap_or(0)))
                })
                .collect(),
            mothers,
            events,
            notes,
            lots,
            flowers_needed,
            crosses,
        })
    }

    /// Flowers still to be pollinated on a cross.
    fn to_pollinate(&self, cross: &CrossRow) -> u32 {
        let none = CrossCounts::default();
        let counts = self.counts.get(&cross.id).unwrap_or(&none);
        if counts.fruit_harvested_n > 0 || cross.open_pollinated() {
            return 0;
        }
        let needed = self.flowers_needed.get(&cross.id).copied().unwrap_or(0);
        needed.saturating_sub(counts.flowers_pollinated_n)
    }

    /// The year whose bloom is looked at.
    fn year(&self) -> i16 {
        self.season
            .as_ref()
            .and_then(|season| i16::try_from(season.year).ok())
            .unwrap_or_else(|| self.day.year())
    }

    /// Whether a mother's flowers are worked on the day, where anything is known of them: from
    /// balloon stage, when they are emasculated, to the end of her bloom.
    fn blooms(&self, plant: PlantId) -> Option<bool> {
        let notes = self.notes.get(&plant)?;
        let at_balloon = notes
            .iter()
            .rfind(|note| note.on.year() == self.year())
            .is_some_and(|note| (57..=59).contains(&note.stage));
        if at_balloon {
            return Some(true);
        }
        let bloom = bloom(notes, self.year())?;
        Some(bloom.window.contains(self.day))
    }

    /// Whether a lot was gathered on a morning before and is dry this morning, though nobody wrote
    /// it down yet.
    fn comes_dry(&self, (kept, state): &(KeptLot, LotState)) -> bool {
        let age_days = days_between(kept.row.gathered_on.0, self.day);
        !state.dried && !state.discarded && (1..=DRYING_DAYS).contains(&age_days)
    }

    fn mothers_of(&self, cross: &CrossRow) -> Vec<&MotherRow> {
        self.mothers
            .iter()
            .filter(|mother| {
                if cross.mother_ids.is_empty() {
                    mother.germplasm_id == cross.seed_parent_id
                } else {
                    cross.mother_ids.contains(&mother.id)
                }
            })
            .collect()
    }

    fn works(&self) -> Vec<Work<'_>> {
        let mut works: Vec<Work> = Vec::new();
        for cross in &self.crosses {
            for mother in self.mothers_of(cross) {
                let events = self.events.get(&mother.id).map_or(&[][..], Vec::as_slice);
                let last = self.last_passes.get(&(cross.id, Some(mother.id)));
                works.push(Work {
                    cross,
                    mother,
                    last_pass: last.map(|(on, _)| *on),
                    passes_n: last.map_or(0, |(_, n)| *n),
                    to_pollinate_n: self.to_pollinate(cross),
                    covered: mother_store::covered_on(events, self.day),
                    in_bloom: self.blooms(cross.seed_parent_id).or_else(|| {
                        last.map(|(on, _)| days_between(*on, self.day) <= BLOOM_AFTER_PASS_DAYS)
                    }),
                });
            }
        }
        works.sort_by(|a, b| place(a.mother).cmp(&place(b.mother)));
        works
    }

    fn due(&self, work: &Work) -> bool {
        work.to_pollinate_n > 0
            && work.in_bloom == Some(true)
            && work
                .last_pass
                .is_none_or(|on| days_between(on, self.day) >= BETWEEN_PASSES_DAYS)
    }

    fn cover_wanted(&self, work: &Work) -> bool {
        let sets_alone = matches!(work.cross.self_compatible.as_str(), "yes" | "expected");
        let soon = self
            .notes
            .get(&work.cross.seed_parent_id)
            .and_then(|notes| bloom(notes, self.year()))
            .is_some_and(|bloom| {
                let until = days_between(self.day, bloom.window.first());
                until <= COVER_BEFORE_DAYS && self.day <= bloom.window.last()
            });
        let wanted = soon || work.in_bloom == Some(true);
        sets_alone && !work.covered && wanted && !work.cross.open_pollinated()
    }

    fn strip_due(&self, work: &Work) -> bool {
        let Some(&last) = self.last_over.get(&work.mother.id) else {
            return false;
        };
        // Of several crosses on her, the one that was worked last speaks for her.
        if work.last_pass != Some(last) {
            return false;
        }
        let ago = days_between(last, self.day);
        let stripped = self.events.get(&work.mother.id).is_some_and(|events| {
            events
                .iter()
                .any(|event| event.kind == "stripped" && event.on_day.0 > last)
        });
        (STRIP_AFTER_DAYS..=STRIP_UNTIL_DAYS).contains(&ago) && !stripped
    }

    /// Lots of a plant that can be used on the day, those that come dry this morning among them, the
    /// liveliest first.
    fn usable(&self, plant: PlantId) -> Vec<&(KeptLot, LotState)> {
        let mut lots: Vec<&(KeptLot, LotState)> = self
            .lots
            .iter()
            .filter(|lot| lot.0.row.germplasm_id == plant && (lot.1.usable || self.comes_dry(lot)))
            .collect();
        lots.sort_by(|a, b| b.1.germination.share.total_cmp(&a.1.germination.share));
        lots
    }

    fn lot(&self, (kept, state): &(KeptLot, LotState), reason: String) -> DayLot {
        DayLot {
            pollen_lot_id: kept.row.id.to_string(),
            number: kept.row.number_text(),
            germplasm_id: kept.row.germplasm_id.to_string(),
            name: kept.row.name.clone(),
            place: state.place_word().to_owned(),
            germination: state.germination.share,
            verdict: state.germination.verdict.to_string(),
            serves_flowers_n: state.serves_flowers_n,
            gathered_on: kept.row.gathered_on.0.to_string(),
            reason,
        }
    }

    fn mother(&self, work: &Work, reason: String) -> DayMother {
        let lot = work.cross.pollen_parent_id.and_then(|father| {
            self.usable(father)
                .first()
                .map(|(kept, _)| kept.row.number_text())
        });
        DayMother {
            mother_id: work.mother.id.to_string(),
            number: numbers::mother(work.mother.number),
            germplasm_id: work.mother.germplasm_id.to_string(),
            name: work.mother.name.clone(),
            house: work.mother.house.clone(),
            row: u32::try_from(work.mother.row_n).unwrap_or(0),
            position: u32::try_from(work.mother.position_n).unwrap_or(0),
            cross_id: work.cross.id.to_string(),
            cross_number: work.cross.number_text(),
            pollen_parent_name: work.cross.pollen_parent_name.clone().unwrap_or_default(),
            pollen_lot_number: lot.unwrap_or_default(),
            passes_n: work.passes_n,
            last_pass_on: work.last_pass.map(|on| on.to_string()).unwrap_or_default(),
            to_pollinate_n: work.to_pollinate_n,
            covered: work.covered,
            reason,
        }
    }

    /// Whether balloons of a plant are to be found on the day.
    fn balloon(&self, plant: PlantId) -> (&'static str, u32, String) {
        let notes = self.notes.get(&plant).map_or(&[][..], Vec::as_slice);
        let latest = notes.iter().rfind(|note| note.on.year() == self.year());
        let stage = latest.map_or((0, String::new()), |note| {
            (note.stage.into(), note.on.to_string())
        });
        let word = match latest {
            Some(note) if (57..=64).contains(&note.stage) => "now",
            Some(note) if note.stage < 57 => "soon",
            Some(_) => "past",
            None => match bloom(notes, self.year()) {
                None => "unknown",
                Some(bloom) => {
                    let until = days_between(self.day, bloom.window.first());
                    match until {
                        n if n > BALLOON_AROUND_DAYS => "soon",
                        n if n >= -BALLOON_AROUND_DAYS => "now",
                        _ => "past",
                    }
                }
            },
        };
        (word, stage.0, stage.1)
    }

    fn gathering(&self, notes: &mut Vec<String>) -> Vec<DayGathering> {
        let mut by_father: BTreeMap<PlantId, (String, u32, Vec<String>)> = BTreeMap::new();
        for cross in &self.crosses {
            let Some(father) = cross.pollen_parent_id else {
                continue;
            };
            let to_pollinate = self.to_pollinate(cross);
            // A mother past her bloom takes no more pollen this season.
            let over = self
                .notes
                .get(&cross.seed_parent_id)
                .and_then(|notes| bloom(notes, self.year()))
                .is_some_and(|bloom| bloom.window.last() < self.day);
            if to_pollinate == 0 || over {
                continue;
            }
            let entry = by_father.entry(father).or_insert_with(|| {
                (
                    cross.pollen_parent_name.clone().unwrap_or_default(),
                    0,
                    Vec::new(),
                )
            });
            entry.1 = entry.1.saturating_add(to_pollinate);
            entry.2.push(cross.number_text());
        }
        let fresh = ViabilityCurve::default().fresh_share;
        let mut gather = Vec::new();
        for (father, (name, to_pollinate_n, cross_numbers)) in by_father {
            let served: u32 = self
                .usable(father)
                .iter()
                .map(|(_, state)| state.serves_flowers_n)
                .sum();
            let lacking = to_pollinate_n.saturating_sub(served);
            if lacking == 0 {
                continue;
            }
            let (balloon, stage_bbch, stage_on) = self.balloon(father);
            if balloon == "past" {
                notes.push(format!(
                    "{name} is past its balloon stage and its lots cannot serve {lacking} flowers of {}",
                    cross_numbers.join(", ")
                ));
                continue;
            }
            let plan = flowers_to_gather(
                lacking,
                fresh,
                0.0,
                FlowerYield::default(),
                PollenUse::default(),
            );
            gather.push(DayGathering {
                germplasm_id: father.to_string(),
                name,
                flowers_n: plan.as_ref().map_or(0, |plan| plan.balloon_flowers_n),
                anthers_per_flower_n: FlowerYield::default().anthers_per_flower_n,
                grains_needed_n: plan.as_ref().map_or(0.0, |plan| plan.grains_needed_n),
                places: self.places.get(&father).cloned().unwrap_or_default(),
                to_pollinate_n,
                served_by_lots_n: served,
                stage_bbch,
                stage_on,
                balloon: balloon.to_owned(),
                cross_numbers,
                note: if balloon == "unknown" {
                    "no bloom of it was noted; look whether balloons are to be found".to_owned()
                } else {
                    String::new()
                },
            });
        }
        gather.sort_by(|a, b| a.name.cmp(&b.name));
        gather
    }

    fn list(&self) -> DayList {
        let works = self.works();
        let mut notes = Vec::new();
        if self.season.is_none() {
            notes.push(format!("no season is open on {}", self.day));
        }
        let gather = self.gathering(&mut notes);
        let coming_dry = self
            .lots
            .iter()
            .filter(|lot| self.comes_dry(lot))
            .map(|lot| self.lot(lot, format!("gathered on {}", lot.0.row.gathered_on.0)))
            .collect();
        let due: Vec<&Work> = works.iter().filter(|work| self.due(work)).collect();
        let mut takers: BTreeMap<PlantId, BTreeSet<String>> = BTreeMap::new();
        for work in &due {
            if let Some(father) = work.cross.pollen_parent_id {
                takers
                    .entry(father)
                    .or_default()
                    .insert(work.cross.number_text());
            }
        }
        let mut vials = Vec::new();
        for (father, crosses) in takers {
            let crosses: Vec<String> = crosses.into_iter().collect();
            match self.usable(father).first() {
                Some(lot) => {
                    let dry = if lot.1.dried {
                        ""
                    } else {
                        "; comes dry this morning"
                    };
                    vials.push(self.lot(lot, format!("for {}{dry}", crosses.join(", "))));
                }
                None => notes.push(format!("no usable pollen for {}", crosses.join(", "))),
            }
        }
        vials.sort_by(|a, b| a.name.cmp(&b.name));
        let reason = |work: &Work| match work.last_pass {
            None => "in bloom or at balloon stage, no pass yet".to_owned(),
            Some(on) => format!(
                "in bloom, last pass {} days ago",
                days_between(on, self.day)
            ),
        };
        for cross in &self.crosses {
            if self.to_pollinate(cross) > 0 && self.mothers_of(cross).is_empty() {
                notes.push(format!(
                    "cross {} has no mother: register a container-grown {}",
                    cross.number_text(),
                    cross.seed_parent_name
                ));
            }
        }
        DayList {
            date: self.day.to_string(),
            morning: self.known_until < self.day,
            season: self.season.as_ref().map(|season| season.year),
            site: self
                .season
                .as_ref()
                .map(|season| season.site.clone())
                .unwrap_or_default(),
            gather,
            coming_dry,
            vials,
            passes: due
                .iter()
                .map(|work| self.mother(work, reason(work)))
                .collect(),
            covers: once_for_each_mother(&works, |work| self.cover_wanted(work))
                .map(|work| self.mother(work, "sets with her own pollen and is not covered".into()))
                .collect(),
            strip: once_for_each_mother(&works, |work| self.strip_due(work))
                .map(|work| {
                    let on = work.last_pass.map(|on| on.to_string()).unwrap_or_default();
                    self.mother(work, format!("late flowers since the last pass, on {on}"))
                })
                .collect(),
            discard: self
                .lots
                .iter()
                .filter(|(_, state)| state.discard_due_on.is_some_and(|due| due <= self.day))
                .map(|lot| {
                    let percent = lot.1.germination.share * 100.0;
                    self.lot(lot, format!("about {percent:.0} % expected to germinate"))
                })
                .collect(),
            notes,
        }
    }
}

/// Works that something is true of, each mother once.
fn once_for_each_mother<'a, 'b>(
    works: &'b [Work<'a>],
    is_wanted: impl Fn(&Work<'a>) -> bool,
) -> impl Iterator<Item = &'b Work<'a>> {
    let mut seen = BTreeSet::new();
    works
        .iter()
        .filter(move |work| is_wanted(work) && seen.insert(work.mother.id))
}

/// Where trees of the pollen parents stand: container-grown ones, and seedlings in the field.
async fn places(
    unit: &mut Unit,
    crosses: &[CrossRow],
    mothers: &[MotherRow],
) -> Result<HashMap<PlantId, Vec<String>>, Fault> {
    let fathers: BTreeSet<PlantId> = crosses
        .iter()
        .filter_map(|cross| cross.pollen_parent_id)
        .collect();
    let mut standing: Vec<&MotherRow> = mothers
        .iter()
        .filter(|mother| fathers.contains(&mother.germplasm_id))
        .collect();
    standing.sort_by_key(|mother| place(mother));
    let mut places: HashMap<PlantId, Vec<String>> = HashMap::new();
    for mother in standing {
        places.entry(mother.germplasm_id).or_default().push(format!(
            "{}, row {}, place {}",
            mother.house, mother.row_n, mother.position_n
        ));
    }
    let fathers: Vec<PlantId> = fathers.into_iter().collect();
    let seedlings: Vec<(PlantId, String, String, i32, i32)> = sqlx::query_as(
        "select id, site, block, row_n, position_n from seedling \
         where programme_id = current_programme() and id = any($1) and died_on is null \
         order by site, block, row_n, position_n",
    )
    .bind(&fathers)
    .fetch_all(unit.connection())
    .await?;
    for (plant, site, block, row_n, position_n) in seedlings {
        let site = if site.is_empty() {
            site
        } else {
            format!("{site}, ")
        };
        places.entry(plant).or_default().push(format!(
            "{site}block {block}, row {row_n}, place {position_n}"
        ));
    }
    Ok(places)
}

fn place(mother: &MotherRow) -> (&str, i32, i32, i32) {
    (
        &mother.house,
        mother.row_n,
        mother.position_n,
        mother.number,
    )
}

fn day_of(text: &str) -> Result<Date, Fault> {
    let mut fields = Fields::new();
    let day = fields.date("date", text);
    fields.finish()?;
    day.ok_or_else(|| Fault::field("/date", "is required"))
}

/// The day's list.
pub async fn get(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetDayRequest,
) -> Result<DayList, Fault> {
    let day = day_of(&request.date)?;
    Ok(Scene::read(unit, day, request.morning).await?.list())
}

/// The day's list with all that it names.
pub async fn bundle(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: GetDayBundleRequest,
) -> Result<DayBundle, Fault> {
    let day = day_of(&request.date)?;
    let scene = Scene::read(unit, day, request.morning).await?;
    let crosses = crosses::told(unit, &scene.crosses).await?;
    let named: BTreeSet<PlantId> = scene
        .crosses
        .iter()
        .filter_map(|cross| cross.pollen_parent_id)
        .collect();
    Ok(DayBundle {
        day: Some(scene.list()),
        mothers: scene
            .mothers
            .iter()
            .map(|row| {
                let events = scene.events.get(&row.id).map_or(&[][..], Vec::as_slice);
                mothers::told_of(row, events, true)
            })
            .collect(),
        pollen_lots: scene
            .lots
            .iter()
            .filter(|(kept, _)| named.contains(&kept.row.germplasm_id))
            .map(|(kept, _)| pollen::told_of(kept, day, true))
            .collect(),
        crosses,
        made_at: unit.now().to_string(),
    })
}

/// The day's list as PDF.
pub async fn print(
    _app: &CrossingApp,
    unit: &mut Unit,
    request: PrintDayRequest,
) -> Result<compute::Work<Document>, Fault> {
    let day = day_of(&request.date)?;
    let size =
        PageSize::parse(&request.page).ok_or_else(|| Fault::field("/page", "a4 or letter"))?;
    let list = Scene::read(unit, day, request.morning).await?.list();
    Ok(compute::Work::new(move |_| {
        Ok(Document {
            content_type: "application/pdf".to_owned(),
            file_name: format!("day-{day}.pdf"),
            content: sheet(&list, size),
        })
    }))
}

fn sheet(list: &DayList, size: PageSize) -> Vec<u8> {
    const LEFT_MM: f32 = 15.0;
    const TOP_MM: f32 = 18.0;
    const LINE_MM: f32 = 5.6;
    let mut paper = Paper::new(size);
    let mut at = TOP_MM;
    let width = size.width_mm - 2.0 * LEFT_MM;
    paper.text(
        LEFT_MM,
        at,
        15.0,
        true,
        &format!("{} {}", list.date, list.site),
    );
    at += 9.0;
    let section = |paper: &mut Paper, at: &mut f32, title: &str, lines: Vec<String>| {
        if lines.is_empty() {
            return;
        }
        if *at + 3.0 * LINE_MM > size.height_mm - TOP_MM {
            paper.turn();
            *at = TOP_MM;
        }
        paper.text(
            LEFT_MM,
            *at,
            11.0,
            true,
            &format!("{title} ({})", lines.len()),
        );
        paper.rule(LEFT_MM, *at + 1.4, width);
        *at += LINE_MM + 1.0;
        for line in lines {
            if *at > size.height_mm - TOP_MM {
                paper.turn();
                *at = TOP_MM;
            }
            paper.tick_box(LEFT_MM, *at, 2.8);
            paper.text(LEFT_MM + 5.0, *at, 9.0, false, &line);
            *at += LINE_MM;
        }
        *at += 2.0;
    };
    let lot = |lot: &DayLot| {
        format!(
            "{}  {}  {}  {}",
            lot.number, lot.name, lot.place, lot.reason
        )
    };
    let mother = |mother: &DayMother| {
        format!(
            "{} row {} place {}  {}  {}  cross {} with {} {}  {}",
            mother.house,
            mother.row,
            mother.position,
            mother.number,
            mother.name,
            mother.cross_number,
            mother.pollen_parent_name,
            mother.pollen_lot_number,
            mother.reason
        )
    };
    let gather = list
        .gather
        .iter()
        .map(|g| {
            format!(
                "{}: {} flowers, balloon stage {}  {}  {}",
                g.name,
                g.flowers_n,
                g.balloon,
                g.places.join("; "),
                g.note
            )
        })
        .collect();
    section(&mut paper, &mut at, "Gather", gather);
    section(
        &mut paper,
        &mut at,
        "Coming dry",
        list.coming_dry.iter().map(lot).collect(),
    );
    section(
        &mut paper,
        &mut at,
        "Vials to take",
        list.vials.iter().map(lot).collect(),
    );
    section(
        &mut paper,
        &mut at,
        "Passes",
        list.passes.iter().map(mother).collect(),
    );
    section(
        &mut paper,
        &mut at,
        "Covers to put on",
        list.covers.iter().map(mother).collect(),
    );
    section(
        &mut paper,
        &mut at,
        "Strip of late flowers",
        list.strip.iter().map(mother).collect(),
    );
    section(
        &mut paper,
        &mut at,
        "Discard",
        list.discard.iter().map(lot).collect(),
    );
    section(&mut paper, &mut at, "Notes", list.notes.clone());
    paper.finish()
}
