//! What a write holds against other writers until its transaction ends.

use std::collections::BTreeSet;

use uuid::Uuid;

use super::Db;

/// Rows to be held. They are held in one order, whoever asks: mothers, pollen lots, crosses, counters,
/// each by key.
#[derive(Debug, Default)]
pub struct Holds {
    pub mothers: BTreeSet<Uuid>,
    /// Mothers of whose crosses the out-cross doubt is worked out anew.
    pub worked_mothers: BTreeSet<Uuid>,
    pub lots: BTreeSet<Uuid>,
    pub crosses: BTreeSet<Uuid>,
    /// Entries that others take the place of.
    pub superseded_passes: BTreeSet<Uuid>,
    pub superseded_fruit: BTreeSet<Uuid>,
    pub superseded_seed: BTreeSet<Uuid>,
    /// Kinds of numbers and their seasons.
    pub counters: BTreeSet<(&'static str, i32)>,
}

impl Holds {
    /// Holds them.
    pub async fn take(self, db: &mut Db) -> Result<(), sqlx::Error> {
        fn listed(ids: BTreeSet<Uuid>) -> Vec<Uuid> {
            ids.into_iter().collect()
        }
        let (kinds, seasons): (Vec<&str>, Vec<i32>) = self.counters.into_iter().unzip();
        sqlx::query("select hold_entries($1, $2, $3, $4, $5, $6, $7, $8, $9)")
            .bind(listed(self.mothers))
            .bind(listed(self.worked_mothers))
            .bind(listed(self.lots))
            .bind(listed(self.crosses))
            .bind(listed(self.superseded_passes))
            .bind(listed(self.superseded_fruit))
            .bind(listed(self.superseded_seed))
            .bind(kinds)
            .bind(seasons)
            .execute(db)
            .await
            .map(drop)
    }
}
