use serde::Serialize;

use crate::build::Pedigree;
use crate::error::PedigreeError;
use crate::record::PlantId;

/// What a prospective cross would give, before it is made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CrossExpectation {
    /// Inbreeding of every seedling: the coancestry of its parents.
    pub progeny_inbreeding: f64,
    /// Coancestry of two seedlings of the cross.
    pub coancestry_within_progeny: f64,
    /// Coancestry of a seedling with the seed parent.
    pub coancestry_with_seed_parent: f64,
    /// Coancestry of a seedling with the pollen parent.
    pub coancestry_with_pollen_parent: f64,
    /// Additive variance among the seedlings as a share of that in the base population: the
    /// Mendelian sampling variance 1 − ¼ (2 + F + F′).
    pub variance_within_progeny: f64,
}

/// How much diversity a group of parents would pass on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GroupDiversity {
    /// Mean coancestry of two gametes drawn with the given contributions.
    pub group_coancestry: f64,
    /// Number of unrelated, non-inbred plants of the same diversity: 1 / (2 × group coancestry)
    /// (status number, Lindgren et al. 1996, from memory). Infinite for an empty group.
    pub status_number: f64,
}

impl<Id: PlantId> Pedigree<Id> {
    /// What crossing (or, with one plant given twice, selfing) would give.
    ///
    /// # Errors
    /// A parent is not listed.
    pub fn expect_cross(
        &self,
        seed_parent: &Id,
        pollen_parent: &Id,
    ) -> Result<CrossExpectation, PedigreeError<Id>> {
        let parents = self.kinship(&[seed_parent.clone(), pollen_parent.clone()])?;
        let (f_ss, f_sp, f_pp) = (
            parents.coancestry(0, 0),
            parents.coancestry(0, 1),
            parents.coancestry(1, 1),
        );
        Ok(CrossExpectation {
            progeny_inbreeding: f_sp,
            coancestry_within_progeny: 0.25 * (f_ss + f_pp + 2.0 * f_sp),
            coancestry_with_seed_parent: 0.5 * (f_ss + f_sp),
            coancestry_with_pollen_parent: 0.5 * (f_pp + f_sp),
            variance_within_progeny: 1.0 - 0.5 * (f_ss + f_pp),
        })
    }

    /// Coancestry of a seedling of a prospective cross with each of some other plants: the mean of
    /// its parents' coancestry with them.
    ///
    /// # Errors
    /// A plant is not listed.
    pub fn progeny_coancestry(
        &self,
        seed_parent: &Id,
        pollen_parent: &Id,
        others: &[Id],
    ) -> Result<Vec<f64>, PedigreeError<Id>> {
        let parents = self.nodes(&[seed_parent.clone(), pollen_parent.clone()])?;
        let others = self.nodes(others)?;
        let together: Vec<u32> = parents.iter().chain(&others).copied().collect();
        let (core, variances, kept) = self.resting_on(&together);
        let place = |node: &u32| kept.partition_point(|known| known < node);
        let mut column = vec![0.0; core.len()];
        parents
            .iter()
            .for_each(|parent| column[place(parent)] += 0.5);
        core.relationship_times(&variances.d, &mut column);
        Ok(others
            .iter()
            .map(|other| 0.5 * column[place(other)])
            .collect())
    }

    /// Mean coancestry and status number of a group with the given contributions, c′Ac/2, in one
    /// pass over the group's ancestors (Colleau 2002).
    ///
    /// # Errors
    /// A plant is not listed, a contribution is negative, or they do not sum to 1.
    pub fn group_diversity(
        &self,
        contributions: &[(Id, f64)],
    ) -> Result<GroupDiversity, PedigreeError<Id>> {
        let sum: f64 = contributions.iter().map(|&(_, c)| c).sum();
        if contributions.iter().any(|&(_, c)| c < 0.0) || sum.is_nan() || (sum - 1.0).abs() > 1e-9 {
            return Err(PedigreeError::Contributions { sum });
        }
        let targets: Vec<u32> = contributions
            .iter()
            .map(|(id, _)| self.node(id))
            .collect::<Result<_, _>>()?;
        let (core, variances, kept) = self.resting_on(&targets);
        let mut shares = vec![0.0; core.len()];
        for (target, (_, contribution)) in targets.iter().zip(contributions) {
            if let Ok(local) = kept.binary_search(target) {
                shares[local] += contribution;
            }
        }
        core.descent_transposed(&mut shares);
        let relationship: f64 = shares
            .iter()
            .zip(&variances.d)
            .map(|(t, d)| t * t * d)
            .sum();
        let group_coancestry = 0.5 * relationship;
        Ok(GroupDiversity {
            group_coancestry,
            status_number: 0.5 / group_coancestry,
        })
    }
}
