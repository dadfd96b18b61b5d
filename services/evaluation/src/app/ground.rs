//! A trial's trees, entries and values, loaded for figures.

use std::collections::HashMap;

use platform::{Fault, ProgrammeId, Unit};

use super::traits;
use crate::domain::figures::{self, GroundTree, TreeYear};
use crate::domain::traits::{Scale, Trait};
use crate::domain::trial::TreeStatus;
use crate::domain::{SiteId, TreeId, TrialId};
use crate::store;
use crate::store::trials::{EntryRow, TrialHead};

/// A trial with all that figures need but its records.
pub struct Ground {
    /// The trial.
    pub trial: TrialHead,
    /// Its entries and checks.
    pub entries: Vec<EntryRow>,
    /// Its trees.
    pub trees: Vec<GroundTree>,
    /// What they stand on, in order of name; one empty name for own-root trees.
    pub rootstocks: Vec<String>,
    tree_place: HashMap<TreeId, usize>,
}

impl Ground {
    /// Loads a trial.
    ///
    /// # Errors
    /// Not found.
    pub async fn load(unit: &mut Unit, programme: ProgrammeId, id: TrialId) -> Result<Self, Fault> {
        Self::load_from(unit.connection(), programme, id).await
    }

    /// Loads a trial outside a unit of work.
    ///
    /// # Errors
    /// Not found.
    pub async fn load_from(
        connection: &mut sqlx::PgConnection,
        programme: ProgrammeId,
        id: TrialId,
    ) -> Result<Self, Fault> {
        let trial = store::trials::head(connection, programme, id, false).await?;
        let entries = store::trials::entries(connection, programme, id).await?;
        let place: HashMap<_, usize> = entries
            .iter()
            .enumerate()
            .map(|(i, entry)| (entry.germplasm_id, i))
            .collect();
        let rows = store::trees::of_trial(connection, programme, id).await?;
        let mut rootstocks: Vec<String> = rows.iter().map(|row| row.rootstock.clone()).collect();
        rootstocks.sort_unstable();
        rootstocks.dedup();
        let mut trees = Vec::with_capacity(rows.len());
        for row in rows {
            let stands = row.status()? == TreeStatus::Standing;
            if let Some(&entry) = place.get(&row.germplasm_id) {
                trees.push(GroundTree {
                    id: row.id,
                    number: row.number,
                    site: row.site_id,
                    row: row.row_n,
                    column: row.column_n,
                    replicate: row.replicate,
                    block: row.block,
                    entry,
                    rootstock: rootstocks.binary_search(&row.rootstock).unwrap_or_default(),
                    stands,
                });
            }
        }
        Ok(Self {
            tree_place: trees
                .iter()
                .enumerate()
                .map(|(i, tree)| (tree.id, i))
                .collect(),
            trial,
            entries,
            trees,
            rootstocks,
        })
    }

    /// Whether each entry is a check.
    pub fn is_check(&self) -> Vec<bool> {
        self.entries.iter().map(|entry| entry.is_check).collect()
    }

    /// Keeps to the trees on one rootstock.
    ///
    /// # Errors
    /// A rootstock on which none stands.
    pub fn keep_rootstock(&mut self, name: &str) -> Result<(), Fault> {
        let Ok(place) = self
            .rootstocks
            .binary_search_by(|known| known.as_str().cmp(name))
        else {
            return Err(Fault::field(
                "/rootstock",
                format!(
                    "no tree of trial {} stands on {name:?}; one of {}",
                    self.trial.number,
                    self.rootstocks.join(", ")
                ),
            ));
        };
        self.trees.retain(|tree| tree.rootstock == place);
        self.tree_place = self
            .trees
            .iter()
            .enumerate()
            .map(|(i, tree)| (tree.id, i))
            .collect();
        Ok(())
    }

    /// Where a tree stands among the trees.
    pub fn place_of(&self, tree: TreeId) -> Option<usize> {
        self.tree_place.get(&tree).copied()
    }

    /// Values of a trait by tree and year, computed traits too.
    ///
    /// # Errors
    /// A nominal trait, of which there are no figures.
    pub async fn values(
        &self,
        connection: &mut sqlx::PgConnection,
        programme: ProgrammeId,
        defined: &Trait,
        only: (Option<i16>, Option<SiteId>),
    ) -> Result<Vec<TreeYear>, Fault> {
        if defined.scale == Scale::Nominal {
            return Err(Fault::field(
                "/trait",
                format!("{} is nominal; figures need numbers or notes", defined.code),
            ));
        }
        match &defined.computed {
            None => {
                self.recorded(connection, programme, &defined.code, only)
                    .await
            }
            Some(computed) => {
                let first = self
                    .recorded(connection, programme, &computed.first, only)
                    .await?;
                let second = self
                    .recorded(connection, programme, &computed.second, only)
                    .await?;
                Ok(figures::compute(computed.how, &first, &second))
            }
        }
    }

    async fn recorded(
        &self,
        connection: &mut sqlx::PgConnection,
        programme: ProgrammeId,
        code: &str,
        only: (Option<i16>, Option<SiteId>),
    ) -> Result<Vec<TreeYear>, Fault> {
        let values =
            store::records::values(connection, programme, self.trial.id, code, only).await?;
        Ok(figures::by_tree_and_year(values.into_iter().filter_map(
            |v| Some((self.place_of(v.tree_id)?, v.year, v.value)),
        )))
    }

    /// The traits that a request asks a ranking over: those named, or every one with records and a
    /// better side.
    ///
    /// # Errors
    /// A trait that is not known, at its place in `field`.
    pub async fn ranked_traits(
        &self,
        unit: &mut Unit,
        programme: ProgrammeId,
        field: &str,
        named: &[String],
    ) -> Result<Vec<Trait>, Fault> {
        if !named.is_empty() {
            let mut found = Vec::with_capacity(named.len());
            for (place, code) in named.iter().enumerate() {
                let pointer = format!("/{field}/{place}");
                found.push(traits::asked(unit, programme, &pointer, code).await?);
            }
            return Ok(found);
        }
        let recorded =
            store::records::recorded_traits(unit.connection(), programme, self.trial.id).await?;
        let library = store::traits::library(unit.connection(), programme).await?;
        let found: Vec<Trait> = library
            .into_iter()
            .filter(|t| recorded.contains(&t.code) && t.better.sign() != 0.0)
            .collect();
        if found.is_empty() {
            return Err(Fault::state(format!(
                "trial {} has no records of a trait with a better side; take records first, or name traits and weights",
                self.trial.number
            )));
        }
        Ok(found)
    }
}
