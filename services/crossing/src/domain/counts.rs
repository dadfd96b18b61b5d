//! Counts along the way from flower to seedling: none may be larger than what it came from.

use contract::crossing::CrossCounts;
use jiff::civil::Date;
use platform::Fields;

/// Kernels in a stone at most.
const SEEDS_PER_STONE: u32 = 2;

/// What a cross's counts are judged by.
#[derive(Debug, Clone)]
pub struct Way<'a> {
    /// Counts so far.
    pub counts: &'a CrossCounts,
    /// Whether bees did the work, so that pollinated flowers were not counted.
    pub open_pollinated: bool,
    /// Day on which flowers were first pollinated.
    pub first_pollination_on: Option<Date>,
    /// Day of the first picking.
    pub first_harvest_on: Option<Date>,
    /// Why a count is larger than it should be; empty when nothing was said.
    pub reason: &'a str,
}

impl Way<'_> {
    fn explained(&self) -> bool {
        !self.reason.trim().is_empty()
    }

    /// Checks a count of fruit.
    pub fn check_fruit(
        &self,
        fields: &mut Fields,
        on: Date,
        set_n: Option<u32>,
        harvested_n: Option<u32>,
        stones_n: Option<u32>,
    ) {
        let before = self.counts;
        fields.require(
            set_n.is_some() || harvested_n.is_some() || stones_n.is_some(),
            "set_n",
            "say what was counted: set_n on the trees, harvested_n or stones_n",
        );
        match self.first_pollination_on {
            Some(first) if on < first => fields.fault(
                "on",
                format!(
                    "{on} is before the first pollination, on {first}; there can be no fruit yet"
                ),
            ),
            None if !self.open_pollinated => fields.fault(
                "on",
                "no flowers are recorded as pollinated on this cross; record its passes first",
            ),
            _ => {}
        }
        let pollinated = before.flowers_pollinated_n;
        let by_hand = !self.open_pollinated && self.first_pollination_on.is_some();
        if let Some(set_n) = set_n
            && by_hand
            && set_n > pollinated
        {
            fields.fault(
                "set_n",
                format!("{set_n} fruits are more than the {pollinated} flowers pollinated; count again or record the missing pass"),
            );
        }
        let harvested = before
            .fruit_harvested_n
            .saturating_add(harvested_n.unwrap_or(0));
        if harvested_n.is_some() && by_hand && harvested > pollinated {
            fields.fault(
                "harvested_n",
                format!("with this, {harvested} fruits are harvested from {pollinated} pollinated flowers; count again or record the missing pass"),
            );
        } else if let Some(set) = set_n.or(before.fruit_set_n)
            && harvested_n.is_some()
            && harvested > set
            && !self.explained()
        {
            fields.fault(
                "harvested_n",
                format!("with this, {harvested} fruits are harvested of {set} counted on the trees; count again or give a reason"),
            );
        }
        let stones = before.stones_n.saturating_add(stones_n.unwrap_or(0));
        if stones_n.is_some() && stones > harvested {
            fields.fault(
                "stones_n",
                format!("with this, {stones} stones come from {harvested} harvested fruits; record the harvest first"),
            );
        }
    }

    /// Checks that seed follows fruit in time.
    pub fn check_seed_day(&self, fields: &mut Fields, on: Date) {
        if let Some(first) = self.first_harvest_on.or(self.first_pollination_on)
            && on < first
        {
            fields.fault("on", format!("{on} is before the first fruit, on {first}"));
        }
    }

    /// Checks seed taken out of stones.
    pub fn check_extracted(&self, fields: &mut Fields, seed_n: u32, stones_n: Option<u32>) {
        let before = self.counts;
        let stones = before.stones_n.max(before.fruit_harvested_n);
        let extracted = before.seed_extracted_n.saturating_add(seed_n);
        let most = stones.saturating_mul(SEEDS_PER_STONE);
        if extracted > most {
            fields.fault(
                "seed_n",
                format!("with this, {extracted} seeds come from {stones} fruits, which hold {most} at most; record the harvest first or count again"),
            );
        }
        if let Some(cracked) = stones_n
            && seed_n > cracked.saturating_mul(SEEDS_PER_STONE)
        {
            fields.fault(
                "stones_n",
                format!("{seed_n} seeds cannot come from {cracked} stones, which hold {SEEDS_PER_STONE} each at most"),
            );
        }
    }

    /// Checks a step of seed against what is left of the stage that it takes from.
    pub fn check_taken(
        &self,
        fields: &mut Fields,
        taken: u32,
        left: u32,
        what: &str,
        whence: &str,
    ) {
        if taken > left && !self.explained() {
            fields.fault(
                "seed_n",
                format!("{taken} seeds cannot be {what}: {left} are left of those {whence}; count again or give a reason"),
            );
        }
    }

    /// Checks what fruit and stones have come to, as after a correction.
    pub fn check_whole(&self, fields: &mut Fields) {
        let all = self.counts;
        let fruit = all.fruit_harvested_n;
        fields.require(
            self.open_pollinated
                || self.first_pollination_on.is_none()
                || fruit <= all.flowers_pollinated_n,
            "harvested_n",
            format!(
                "with this, {fruit} fruits are harvested from {} pollinated flowers",
                all.flowers_pollinated_n
            ),
        );
        fields.require(
            all.stones_n <= fruit,
            "harvested_n",
            format!(
                "with this, {} stones come from {fruit} harvested fruits; correct the count of stones too",
                all.stones_n
            ),
        );
        let most = all.stones_n.max(fruit).saturating_mul(SEEDS_PER_STONE);
        fields.require(
            all.seed_extracted_n <= most,
            "harvested_n",
            format!(
                "{} seeds were extracted already, and with this the fruits hold {most} at most; correct the seed first",
                all.seed_extracted_n
            ),
        );
    }

    /// Checks seedlings to be planted against the seed that is left to plant.
    pub fn check_planted(&self, fields: &mut Fields, on: Date, planted_n: u32, left: u32) {
        self.check_seed_day(fields, on);
        if planted_n > left && !self.explained() {
            fields.fault(
                "planted_n",
                format!("{planted_n} seedlings cannot come of the {left} seeds that are left to plant; record the seed first, or give a reason"),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;
    use proptest::prelude::*;

    fn way<'a>(counts: &'a CrossCounts, reason: &'a str) -> Way<'a> {
        Way {
            counts,
            open_pollinated: false,
            first_pollination_on: Some(date(2026, 2, 12)),
            first_harvest_on: None,
            reason,
        }
    }

    fn pointers(fields: Fields) -> Vec<String> {
        fields
            .into_errors()
            .into_iter()
            .map(|error| error.pointer)
            .collect()
    }

    #[test]
    fn fruit_does_not_come_before_pollination() {
        let counts = CrossCounts {
            flowers_pollinated_n: 50,
            ..CrossCounts::default()
        };
        let mut fields = Fields::new();
        way(&counts, "").check_fruit(&mut fields, date(2026, 2, 11), Some(3), None, None);
        assert_eq!(pointers(fields), ["/on"]);
    }

    #[test]
    fn more_seedlings_than_seed_need_a_reason() {
        let counts = CrossCounts {
            seed_germinated_n: 10,
            ..CrossCounts::default()
        };
        let mut fields = Fields::new();
        way(&counts, "").check_planted(&mut fields, date(2026, 9, 1), 11, 10);
        assert_eq!(pointers(fields), ["/planted_n"]);
        let mut fields = Fields::new();
        way(&counts, "twins").check_planted(&mut fields, date(2026, 9, 1), 11, 10);
        assert!(!fields.any());
    }

    proptest! {
        #[test]
        fn fruit_never_exceeds_flowers(pollinated in 0u32..500, set in 0u32..500, harvested in 0u32..500) {
            let counts = CrossCounts { flowers_pollinated_n: pollinated, ..CrossCounts::default() };
            let mut fields = Fields::new();
            way(&counts, "found on the ground").check_fruit(
                &mut fields, date(2026, 6, 1), Some(set), Some(harvested), None,
            );
            prop_assert_eq!(fields.any(), set > pollinated || harvested > pollinated);
        }

        #[test]
        fn stones_hold_two_seeds_at_most(harvested in 0u32..500, seeds in 0u32..1500) {
            let counts = CrossCounts { fruit_harvested_n: harvested, ..CrossCounts::default() };
            let mut fields = Fields::new();
            way(&counts, "").check_extracted(&mut fields, seeds, None);
            prop_assert_eq!(fields.any(), seeds > 2 * harvested);
        }
    }
}
