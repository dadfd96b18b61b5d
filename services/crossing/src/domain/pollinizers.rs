//! Counts of pollinizer trials.

use std::collections::BTreeMap;

use biometry::fruit_set::Count;
use jiff::civil::Date;
use platform::Fields;

use super::PlantId;

platform::ids! {
    /// A pollinizer trial.
    PollinizerTrialId for PollinizerTrialKind,
    /// A count in a pollinizer trial.
    PollinizerCountId for PollinizerCountKind,
}

platform::words! {
    /// How a trial's flowers are kept from other pollen.
    pub enum Isolation {
        /// Branches in bags.
        Bag = "bag",
        /// The tree in a cage.
        Cage = "cage",
        /// The tree under a cover.
        Cover = "cover",
        /// Emasculated and far from other bloom.
        Alone = "alone",
    }
}

/// Flowers and fruits of one branch on one day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BranchCount {
    /// The pollen.
    pub pollen: PlantId,
    /// The branch.
    pub branch: String,
    /// The day.
    pub on: Date,
    /// Flowers pollinated in all.
    pub flowers_n: u32,
    /// Fruits on it; none before they can be counted.
    pub set_n: Option<u32>,
}

/// Checks a count against those of its branch, whatever the order in which they come.
pub fn check(fields: &mut Fields, count: &BranchCount, others: &[BranchCount], explained: bool) {
    if let Some(set_n) = count.set_n {
        fields.require(
            set_n <= count.flowers_n,
            "set_n",
            format!(
                "{set_n} fruits are more than the {} flowers; count again",
                count.flowers_n
            ),
        );
    }
    fields.require(count.flowers_n >= 1, "flowers_n", "must be at least 1");
    let of_branch = || {
        others
            .iter()
            .filter(|o| o.pollen == count.pollen && o.branch == count.branch)
    };
    let more_before = of_branch()
        .filter(|o| o.on <= count.on)
        .map(|o| o.flowers_n)
        .max();
    let fewer_after = of_branch()
        .filter(|o| o.on > count.on)
        .map(|o| o.flowers_n)
        .min();
    if let Some(before) = more_before.filter(|before| *before > count.flowers_n && !explained) {
        fields.fault(
            "flowers_n",
            format!("{} flowers are fewer than the {before} counted before; flowers pollinated do not shrink: count again or give a reason", count.flowers_n),
        );
    }
    if let Some(after) = fewer_after.filter(|after| *after < count.flowers_n && !explained) {
        fields.fault(
            "flowers_n",
            format!(
                "{} flowers are more than the {after} counted later; count again or give a reason",
                count.flowers_n
            ),
        );
    }
}

/// The latest count of each branch; counts come by day and order of recording.
pub fn latest(counts: &[BranchCount]) -> Vec<&BranchCount> {
    let mut by_branch: BTreeMap<(PlantId, &str), &BranchCount> = BTreeMap::new();
    for count in counts {
        by_branch.insert((count.pollen, &count.branch), count);
    }
    by_branch.into_values().collect()
}

/// Fruits out of flowers on each branch of a pollen, by the latest count that has fruit.
pub fn branches(counts: &[BranchCount], pollen: PlantId) -> Vec<Count> {
    let counted: Vec<BranchCount> = counts
        .iter()
        .filter(|count| count.pollen == pollen && count.set_n.is_some())
        .cloned()
        .collect();
    latest(&counted)
        .into_iter()
        .filter_map(|c| Count::new(u64::from(c.set_n?), u64::from(c.flowers_n)).ok())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn count(pollen: PlantId, day: i8, flowers_n: u32, set_n: Option<u32>) -> BranchCount {
        BranchCount {
            pollen,
            branch: "b1".into(),
            on: date(2026, 3, day),
            flowers_n,
            set_n,
        }
    }

    #[test]
    fn later_counts_take_the_place_of_earlier_ones() {
        let pollen = PlantId::new();
        let counts = [
            count(pollen, 1, 20, None),
            count(pollen, 20, 30, Some(12)),
            count(pollen, 25, 30, Some(9)),
        ];
        assert_eq!(branches(&counts, pollen), [Count::new(9, 30).unwrap()]);
        assert_eq!(latest(&counts)[0].set_n, Some(9));
    }

    #[test]
    fn flowers_do_not_shrink_without_a_reason() {
        let pollen = PlantId::new();
        let before = [count(pollen, 10, 30, None)];
        let faults = |count: &BranchCount, explained| {
            let mut fields = Fields::new();
            check(&mut fields, count, &before, explained);
            fields
                .into_errors()
                .into_iter()
                .map(|e| e.pointer)
                .collect::<Vec<_>>()
        };
        assert_eq!(faults(&count(pollen, 12, 25, None), false), ["/flowers_n"]);
        assert!(faults(&count(pollen, 12, 25, None), true).is_empty());
        assert_eq!(
            faults(&count(pollen, 8, 35, None), false),
            ["/flowers_n"],
            "brought late"
        );
        assert_eq!(faults(&count(pollen, 12, 30, Some(31)), false), ["/set_n"]);
    }
}
