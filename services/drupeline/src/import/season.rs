//! The crossing part of a season, from rows to requests.

use std::collections::{BTreeMap, HashSet};

use contract::crossing::{
    GatherPollenRequest, ImportFault, ImportSeasonReply, ImportSeasonRequest, OpenSeasonRequest,
    Passport, PlanCrossRequest, PlantSeedlingsRequest, RecordBloomRequest, RecordFruitRequest,
    RecordMotherEventRequest, RecordPassRequest, RecordPollenEventRequest, RecordSeedRequest,
    RegisterGermplasmRequest, RegisterMotherRequest,
};

use super::cells::{Cells, Known, Origin};
use super::faults::{Faults, RowFault};
use super::form::Kind;
use super::table::Table;

/// A request with where it stands in the files.
pub struct Draft<R> {
    request: R,
    id: String,
    /// Day by which it is put in order; empty for things without one.
    day: String,
    depends: Vec<String>,
    origin: Origin,
}

/// Requests of one section; a row with a fault is left out and its id kept.
struct Section<R> {
    drafts: Vec<Draft<R>>,
}

impl<R> Default for Section<R> {
    fn default() -> Self {
        Self { drafts: Vec::new() }
    }
}

/// What the files say of a season's crosses.
#[derive(Default)]
pub struct Season {
    seasons: Section<OpenSeasonRequest>,
    germplasm: Section<RegisterGermplasmRequest>,
    mothers: Section<RegisterMotherRequest>,
    bloom_records: Section<RecordBloomRequest>,
    pollen_lots: Section<GatherPollenRequest>,
    pollen_events: Section<RecordPollenEventRequest>,
    crosses: Section<PlanCrossRequest>,
    mother_events: Section<RecordMotherEventRequest>,
    passes: Section<RecordPassRequest>,
    fruit: Section<RecordFruitRequest>,
    seed: Section<RecordSeedRequest>,
    seedlings: Section<PlantSeedlingsRequest>,
    /// Ids of rows that are at fault.
    faulty: HashSet<String>,
    /// Crosses with a faulty count, and how far along it is: what comes after it cannot be judged.
    unsettled: BTreeMap<String, usize>,
    /// First row of each id, by which rows that say the same twice are told.
    seen: BTreeMap<String, (String, u64)>,
}

/// Where the rows of a sent request stand in the files, by section.
pub struct Sent {
    unsettled: BTreeMap<String, usize>,
    rows: BTreeMap<&'static str, Vec<SentRow>>,
}

struct SentRow {
    id: String,
    depends: Vec<String>,
    origin: Origin,
}

impl Sent {
    /// Faults and warnings of the reply, as faults and warnings of the files.
    ///
    /// A row that refers to a faulty one is left out, and so is a count that comes after a faulty
    /// one on its cross: their faults would only follow from the other's.
    pub fn told(&self, reply: &ImportSeasonReply) -> (Vec<RowFault>, Vec<RowFault>) {
        let sent = |section: &str, row: u64| {
            self.rows
                .get(section)
                .and_then(|rows| rows.get(usize::try_from(row).ok()?))
        };
        let mut faulty: HashSet<&str> = HashSet::new();
        let mut unsettled = self.unsettled.clone();
        let mut faults = Vec::new();
        // Sections come in order, so what a row refers to was told before it.
        for ImportFault {
            section,
            row,
            errors,
            ..
        } in &reply.faults
        {
            let Some(row) = sent(section, *row) else {
                continue;
            };
            let step = step(section);
            let follows = row.depends.iter().any(|id| {
                faulty.contains(id.as_str()) || unsettled.get(id).is_some_and(|first| *first < step)
            });
            faulty.insert(&row.id);
            if step > 0
                && let Some(cross) = row.depends.first()
            {
                unsettled.entry(cross.clone()).or_insert(step);
            }
            if !follows {
                let told = errors
                    .iter()
                    .map(|e| row.origin.fault(&e.pointer, e.message.clone()));
                faults.extend(told);
            }
        }
        let warnings = reply.warnings.iter().flat_map(|warned| {
            warned.warnings.iter().filter_map(move |warning| {
                Some(
                    sent(&warned.section, warned.row)?
                        .origin
                        .fault("", warning.message.clone()),
                )
            })
        });
        (faults, warnings.collect())
    }
}

impl Season {
    /// Reads the files that are there.
    pub fn read(
        tables: &BTreeMap<&'static str, Table>,
        known: &Known,
        faults: &mut Faults,
    ) -> Self {
        let mut season = Self::default();
        let mut each = |name: &str, take: fn(&mut Self, &mut Cells<'_>)| {
            for row in tables.get(name).into_iter().flat_map(Table::rows) {
                take(&mut season, &mut Cells::of(row, known, faults));
            }
        };
        each("season", Self::open);
        each("varieties", Self::variety);
        each("mothers", Self::mother);
        each("bloom", Self::bloom);
        each("pollen_lots", Self::lot);
        each("crosses", Self::cross);
        each("mother_events", Self::mother_event);
        each("passes", Self::pass);
        each("fruit", Self::fruit);
        each("seed", Self::seed);
        each("seedlings", Self::planting);
        season.order_varieties(faults);
        season
    }

    /// Whether the files say anything of crosses.
    pub fn is_empty(&self) -> bool {
        self.seen.is_empty()
    }

    /// Seedlings that the files plant of each cross, by the cross's id.
    pub fn planted(&self) -> BTreeMap<String, u32> {
        let mut planted = BTreeMap::new();
        for draft in &self.seedlings.drafts {
            *planted.entry(draft.request.cross_id.clone()).or_default() += draft.request.planted_n;
        }
        planted
    }

    /// Whether a row of this id is at fault.
    pub fn is_faulty(&self, id: &str) -> bool {
        self.faulty.contains(id)
    }

    /// The request, without rows that are at fault or refer to one that is.
    pub fn request(self, check_only: bool) -> (ImportSeasonRequest, Sent) {
        let mut sent = BTreeMap::new();
        let mut faulty = self.faulty;
        let mut request = ImportSeasonRequest {
            check_only,
            ..Default::default()
        };
        macro_rules! sections {
            ($($section:ident),+) => {
                $(
                    let mut drafts = self.$section.drafts;
                    drafts.sort_by(|a, b| a.day.cmp(&b.day));
                    let mut rows = Vec::new();
                    for draft in drafts {
                        if draft.depends.iter().any(|id| faulty.contains(id)) {
                            faulty.insert(draft.id);
                        } else {
                            let Draft { request: row, id, depends, origin, .. } = draft;
                            request.$section.push(row);
                            rows.push(SentRow { id, depends, origin });
                        }
                    }
                    sent.insert(stringify!($section), rows);
                )+
            };
        }
        sections!(
            seasons,
            germplasm,
            mothers,
            bloom_records,
            pollen_lots,
            pollen_events,
            crosses,
            mother_events,
            passes,
            fruit,
            seed,
            seedlings
        );
        (
            request,
            Sent {
                unsettled: self.unsettled,
                rows: sent,
            },
        )
    }

    /// Keeps a row's request, unless it has a fault or says the same as an earlier row.
    fn keep<R>(
        &mut self,
        section: impl FnOnce(&mut Self) -> &mut Section<R>,
        cells: &mut Cells<'_>,
        (id, day, request): (String, String, R),
        same: (&str, &str),
    ) {
        let origin = cells.origin();
        let place = origin.fault("", String::new());
        if let Some((_, first)) = self.seen.get(&id) {
            cells.fault(
                same.0,
                format!("{} as in row {first}; keep one, or tell them apart", same.1),
            );
        } else {
            self.seen.insert(id.clone(), (place.file, place.row));
        }
        let depends = cells.depends();
        if cells.is_faulty() {
            self.faulty.insert(id);
            let step = step(origin.form_name());
            if let Some(cross) = depends.into_iter().next().filter(|_| step > 0) {
                let first = self.unsettled.entry(cross).or_insert(step);
                *first = step.min(*first);
            }
            return;
        }
        section(self).drafts.push(Draft {
            request,
            id,
            day,
            depends,
            origin,
        });
    }

    fn open(&mut self, cells: &mut Cells<'_>) {
        let year: i32 = cells.whole("year");
        let id = cells.id("season", &[&year.to_string()]);
        let request = OpenSeasonRequest {
            id: id.clone(),
            year,
            site: cells.text("site"),
            time_zone: cells.text("time_zone"),
            opens_on: cells.date("opens_on"),
            closes_on: cells.date("closes_on"),
        };
        self.keep(
            |s| &mut s.seasons,
            cells,
            (id, String::new(), request),
            ("year", "the same year"),
        );
    }

    fn variety(&mut self, cells: &mut Cells<'_>) {
        let name = cells.text("name");
        let id = cells.id(Kind::Variety.word(), &[&name]);
        let alleles = cells.text("s_alleles");
        let (accession_number, origin_country) =
            (cells.text("accession_number"), cells.text("origin_country"));
        let passport =
            (!accession_number.is_empty() || !origin_country.is_empty()).then(|| Passport {
                accession_number,
                origin_country,
                ..Default::default()
            });
        let request = RegisterGermplasmRequest {
            id: id.clone(),
            name,
            species: cells.text("species"),
            kind: cells.text("kind"),
            seed_parent_id: cells.reference("seed_parent", Kind::Variety),
            pollen_parent_id: cells.reference_or("pollen_parent", Kind::Variety, "open"),
            s_alleles: alleles
                .split([' ', ',', ';', '/'])
                .filter(|allele| !allele.is_empty())
                .map(str::to_owned)
                .collect(),
            loci: cells.pairs("loci"),
            traits: cells.pairs("traits"),
            passport,
            notes: cells.text("notes"),
            protected_by: cells.text("protected_by"),
            rights_standing: cells.text("rights_standing"),
            clone_of_id: cells.reference("clone_of", Kind::Variety),
            pollen_candidates: Vec::new(),
        };
        self.keep(
            |s| &mut s.germplasm,
            cells,
            (id, String::new(), request),
            ("name", "the same name"),
        );
    }

    /// Puts parents before offspring; a loop is a fault of every row in it.
    fn order_varieties(&mut self, faults: &mut Faults) {
        let mut waiting = std::mem::take(&mut self.germplasm.drafts);
        let mut ordered = Vec::with_capacity(waiting.len());
        loop {
            let ids: HashSet<String> = waiting.iter().map(|draft| draft.id.clone()).collect();
            let (ready, rest): (Vec<_>, Vec<_>) = waiting
                .into_iter()
                .partition(|draft| !draft.depends.iter().any(|id| ids.contains(id)));
            waiting = rest;
            if ready.is_empty() {
                break;
            }
            ordered.extend(ready);
        }
        self.germplasm.drafts = ordered;
        if waiting.is_empty() {
            return;
        }
        // What descends from a loop waits as well and is not at fault itself.
        let in_loop = |start: &Draft<RegisterGermplasmRequest>| {
            let mut reached = HashSet::new();
            let mut open = start.depends.clone();
            while let Some(id) = open.pop() {
                if id == start.id {
                    return true;
                }
                if reached.insert(id.clone())
                    && let Some(next) = waiting.iter().find(|draft| draft.id == id)
                {
                    open.extend(next.depends.iter().cloned());
                }
            }
            false
        };
        let names: Vec<&str> = waiting
            .iter()
            .filter(|draft| in_loop(draft))
            .map(|draft| draft.request.name.as_str())
            .collect();
        for draft in waiting.iter().filter(|draft| in_loop(draft)) {
            faults.push(draft.origin.fault(
                "/seed_parent_id",
                format!("descends from itself: the pedigree runs in a loop through {}; correct one of their parents", names.join(", ")),
            ));
        }
        self.faulty
            .extend(waiting.iter().map(|draft| draft.id.clone()));
    }

    fn mother(&mut self, cells: &mut Cells<'_>) {
        let key = cells.text("mother");
        let id = cells.id(Kind::Mother.word(), &[&key]);
        let request = RegisterMotherRequest {
            id: id.clone(),
            germplasm_id: cells.reference("variety", Kind::Variety),
            house: cells.text("house"),
            row: cells.count_or_zero("row"),
            position: cells.count_or_zero("position"),
            container_l: cells.number("container_l"),
            note: cells.text("note"),
            on: cells.date("from"),
        };
        self.keep(
            |s| &mut s.mothers,
            cells,
            (id, String::new(), request),
            ("mother", "the same key"),
        );
    }

    fn bloom(&mut self, cells: &mut Cells<'_>) {
        let (variety, on, site) = (
            cells.reference("variety", Kind::Variety),
            cells.date("on"),
            cells.text("site"),
        );
        let id = cells.id("bloom", &[&variety, &on, &site]);
        let request = RecordBloomRequest {
            id: id.clone(),
            germplasm_id: variety,
            on: on.clone(),
            stage_bbch: cells.count_or_zero("stage_bbch"),
            site,
            percent_open: cells.number("percent_open"),
            by: cells.text("by"),
            note: cells.text("note"),
        };
        self.keep(
            |s| &mut s.bloom_records,
            cells,
            (id, on, request),
            ("on", "the same variety and day"),
        );
    }

    fn lot(&mut self, cells: &mut Cells<'_>) {
        let key = cells.text("lot");
        let id = cells.id(Kind::Lot.word(), &[&key]);
        let by = cells.text("by");
        let gathered_on = cells.date("gathered_on");
        let request = GatherPollenRequest {
            id: id.clone(),
            germplasm_id: cells.reference("variety", Kind::Variety),
            gathered_on: gathered_on.clone(),
            flowers_n: cells.count_or_zero("flowers_n"),
            stage_bbch: cells.count_or_zero("stage_bbch"),
            by: by.clone(),
            note: cells.text("note"),
            site: cells.text("site"),
        };
        let events = lot_events(cells, &id, &by);
        let origin = cells.origin();
        self.keep(
            |s| &mut s.pollen_lots,
            cells,
            (id.clone(), gathered_on, request),
            ("lot", "the same key"),
        );
        if cells.is_faulty() {
            return;
        }
        for (event, columns) in events {
            self.pollen_events.drafts.push(Draft {
                id: event.id.clone(),
                day: event.on.clone(),
                depends: vec![id.clone()],
                origin: origin.with(columns),
                request: event,
            });
        }
    }

    fn cross(&mut self, cells: &mut Cells<'_>) {
        let key = cells.text("cross");
        let id = cells.id(Kind::Cross.word(), &[&key]);
        let season: i32 = cells.whole("season");
        let rests_on = cells.id("season", &[&season.to_string()]);
        cells.rests_on(rests_on);
        let request = PlanCrossRequest {
            id: id.clone(),
            season: season.to_string(),
            seed_parent_id: cells.reference("seed_parent", Kind::Variety),
            pollen_parent_id: cells.reference_or("pollen_parent", Kind::Variety, "open"),
            objective: cells.text("objective"),
            fruit_wanted_n: cells.count_or_zero("fruit_wanted_n"),
            mother_ids: cells
                .references("mothers", &[Kind::Mother])
                .into_iter()
                .map(|(_, id)| id)
                .collect(),
            number: cells.count("number"),
        };
        self.keep(
            |s| &mut s.crosses,
            cells,
            (id, String::new(), request),
            ("cross", "the same key"),
        );
    }

    fn mother_event(&mut self, cells: &mut Cells<'_>) {
        let (mother, on, kind) = (
            cells.reference("mother", Kind::Mother),
            cells.date("on"),
            cells.text("what"),
        );
        let id = cells.id("mother event", &[&mother, &on, &kind]);
        let request = RecordMotherEventRequest {
            mother_id: mother,
            id: id.clone(),
            kind,
            on: on.clone(),
            flowers_n: cells.count("flowers_n"),
            note: cells.text("note"),
            by: cells.text("by"),
            ..Default::default()
        };
        self.keep(
            |s| &mut s.mother_events,
            cells,
            (id, on, request),
            ("on", "the same mother, day and event"),
        );
    }

    fn pass(&mut self, cells: &mut Cells<'_>) {
        let cross = cells.reference("cross", Kind::Cross);
        let pass: u32 = cells.whole("pass");
        let id = cells.id("pass", &[&cross, &pass.to_string()]);
        let on = cells.date("on");
        let request = RecordPassRequest {
            cross_id: cross,
            id: id.clone(),
            on: on.clone(),
            pollen_lot_id: cells.reference("pollen_lot", Kind::Lot),
            mother_id: cells.reference("mother", Kind::Mother),
            flowers_emasculated_n: cells.count_or_zero("flowers_emasculated_n"),
            flowers_pollinated_n: cells.count_or_zero("flowers_pollinated_n"),
            stray_open_flowers_n: cells.count_or_zero("stray_open_flowers_n"),
            stray_stripped_n: cells.count("stray_stripped_n"),
            unfit_n: cells.count("unfit_n"),
            covered: cells.yes_no("covered"),
            days_since_opening: cells.number("days_since_opening"),
            pollen_mg: cells.number("pollen_mg"),
            by: cells.text("by"),
            reason: cells.text("reason"),
            note: cells.text("note"),
            malformed: Vec::new(),
            ..Default::default()
        };
        self.keep(
            |s| &mut s.passes,
            cells,
            (id, on, request),
            ("pass", "the same cross and pass"),
        );
    }

    fn fruit(&mut self, cells: &mut Cells<'_>) {
        let (cross, on, mother) = (
            cells.reference("cross", Kind::Cross),
            cells.date("on"),
            cells.reference("mother", Kind::Mother),
        );
        let id = cells.id("fruit", &[&cross, &on, &mother]);
        let request = RecordFruitRequest {
            cross_id: cross,
            id: id.clone(),
            on: on.clone(),
            set_n: cells.count("set_n"),
            harvested_n: cells.count("harvested_n"),
            stones_n: cells.count("stones_n"),
            mother_id: mother,
            reason: cells.text("reason"),
            by: cells.text("by"),
            note: cells.text("note"),
            ..Default::default()
        };
        self.keep(
            |s| &mut s.fruit,
            cells,
            (id, on, request),
            ("on", "the same cross, day and mother"),
        );
    }

    fn seed(&mut self, cells: &mut Cells<'_>) {
        let (cross, on, step, cause) = (
            cells.reference("cross", Kind::Cross),
            cells.date("on"),
            cells.text("step"),
            cells.text("cause"),
        );
        let id = cells.id("seed", &[&cross, &on, &step, &cause]);
        let request = RecordSeedRequest {
            cross_id: cross,
            id: id.clone(),
            on: on.clone(),
            step,
            seed_n: cells.count_or_zero("seed_n"),
            stones_n: cells.count("stones_n"),
            cause,
            note: cells.text("note"),
            reason: cells.text("reason"),
            by: cells.text("by"),
            ..Default::default()
        };
        self.keep(
            |s| &mut s.seed,
            cells,
            (id, on, request),
            ("step", "the same cross, day and step"),
        );
    }

    fn planting(&mut self, cells: &mut Cells<'_>) {
        let (cross, block) = (cells.reference("cross", Kind::Cross), cells.text("block"));
        let first_row = cells.count_or_zero("first_row");
        let on = cells.date("on");
        let id = cells.id("planting", &[&cross, &block, &first_row.to_string(), &on]);
        let request = PlantSeedlingsRequest {
            cross_id: cross,
            id: id.clone(),
            planted_n: cells.count_or_zero("planted_n"),
            block,
            first_row,
            plants_per_row: cells.count("plants_per_row"),
            on: on.clone(),
            site: cells.text("site"),
            reason: cells.text("reason"),
            by: cells.text("by"),
        };
        self.keep(
            |s| &mut s.seedlings,
            cells,
            (id, on, request),
            ("first_row", "the same cross, block, row and day"),
        );
    }
}

/// How far along the way from flower to seedling a section's counts are; 0 for sections without.
fn step(section: &str) -> usize {
    let way = ["passes", "fruit", "seed", "seedlings"];
    way.iter()
        .position(|known| *known == section)
        .map_or(0, |place| place + 1)
}

type Columns = &'static [(&'static str, &'static str)];

/// The entries of a lot's ledger that its row tells.
fn lot_events(
    cells: &mut Cells<'_>,
    lot: &str,
    by: &str,
) -> Vec<(RecordPollenEventRequest, Columns)> {
    let mut events = Vec::new();
    let dried_mg = cells.number("dried_mg");
    let stored_in = cells.text("stored_in");
    let (tested_n, germinated_n) = (cells.count("tested_n"), cells.count("germinated_n"));
    let discard_reason = cells.text("discard_reason");
    let kinds: [(&str, &str, Columns); 5] = [
        (
            "dried",
            "dried_on",
            &[
                ("on", "dried_on"),
                ("kind", "dried_on"),
                ("quantity_mg", "dried_mg"),
            ],
        ),
        (
            "stored",
            "stored_on",
            &[
                ("on", "stored_on"),
                ("kind", "stored_on"),
                ("place", "stored_in"),
            ],
        ),
        (
            "thawed",
            "thawed_on",
            &[("on", "thawed_on"), ("kind", "thawed_on")],
        ),
        (
            "tested",
            "tested_on",
            &[
                ("on", "tested_on"),
                ("kind", "tested_on"),
                ("tested_n", "tested_n"),
                ("germinated_n", "germinated_n"),
            ],
        ),
        (
            "discarded",
            "discarded_on",
            &[
                ("on", "discarded_on"),
                ("kind", "discarded_on"),
                ("reason", "discard_reason"),
            ],
        ),
    ];
    for (kind, column, columns) in kinds {
        let on = cells.date(column);
        let given = match kind {
            "dried" => dried_mg.map(|_| "dried_mg"),
            "stored" => (!stored_in.is_empty()).then_some("stored_in"),
            "tested" => tested_n.or(germinated_n).map(|_| "tested_n"),
            "discarded" => (!discard_reason.is_empty()).then_some("discard_reason"),
            _ => None,
        };
        if on.is_empty() {
            if let Some(given) = given {
                cells.fault(
                    column,
                    format!("is empty though {given} is given; fill it in"),
                );
            }
            continue;
        }
        let mut event = RecordPollenEventRequest {
            pollen_lot_id: lot.to_owned(),
            id: cells.id("pollen event", &[lot, kind]),
            kind: kind.to_owned(),
            on,
            by: by.to_owned(),
            ..Default::default()
        };
        match kind {
            "dried" => event.quantity_mg = dried_mg,
            "stored" => event.place = stored_in.clone(),
            "tested" => (event.tested_n, event.germinated_n) = (tested_n, germinated_n),
            "discarded" => event.reason = discard_reason.clone(),
            _ => {}
        }
        events.push((event, columns));
    }
    events
}
