//! What must hold for every pedigree, tried on random ones.

use pedigree::{ParentInbreeding, Pedigree, PedigreeError, PlantRecord, PollenParent};
use proptest::prelude::*;

/// Random plants: each takes its parents among the earlier ones, so selfing, backcrosses, unknown
/// parents, candidate fathers and clones all come up. The list is given in a shuffled order.
fn records() -> impl Strategy<Value = Vec<PlantRecord<usize>>> {
    let plant = (0u8..12, any::<u32>(), any::<u32>(), any::<u32>(), 1u8..=10);
    (prop::collection::vec(plant, 1..28), any::<u32>()).prop_map(|(plants, turn)| {
        let mut records: Vec<_> = plants
            .into_iter()
            .enumerate()
            .map(|(id, (kind, x, y, z, tenths))| {
                if id == 0 {
                    return PlantRecord::founder(id);
                }
                let [x, y, z] = [x, y, z].map(|draw| draw as usize % id);
                match kind {
                    0 => PlantRecord::founder(id),
                    1 => PlantRecord::open_pollinated(id, x),
                    2 => PlantRecord::of_parents(id, None, Some(x)),
                    3 | 4 => PlantRecord::selfed(id, x),
                    5 => PlantRecord::clone_of(id, x),
                    6 => PlantRecord::seedling(id, Some(x), PollenParent::any_of([x, y, z])),
                    7 => {
                        let share = f64::from(tenths) / 20.0;
                        let fathers = PollenParent::OneOf(vec![(y, share), (z, share)]);
                        PlantRecord::seedling(id, Some(x), fathers)
                    }
                    _ => PlantRecord::cross(id, x, y),
                }
            })
            .collect();
        let n = records.len();
        records.rotate_left(turn as usize % n);
        if turn % 2 == 0 {
            records.reverse();
        }
        records
    })
}

fn close(x: f64, y: f64) -> bool {
    (x - y).abs() <= 1e-10 * (1.0 + x.abs().max(y.abs()))
}

proptest! {
    #[test]
    fn indirect_methods_equal_the_table(records in records()) {
        let pedigree = Pedigree::from_records(records).unwrap();
        let table = pedigree.kinship_table().unwrap();
        let indirect = pedigree.kinship(pedigree.ids()).unwrap();
        let inbreeding = pedigree.inbreeding_of_all();
        for (i, id) in pedigree.ids().iter().enumerate() {
            prop_assert!(close(table.relationship(i, i) - 1.0, inbreeding[i]));
            prop_assert!(close(pedigree.inbreeding(id).unwrap(), inbreeding[i]));
            for j in 0..pedigree.len() {
                prop_assert!(close(table.coancestry(i, j), indirect.coancestry(i, j)));
            }
        }
    }

    #[test]
    fn coancestry_is_symmetric_and_bounded(records in records()) {
        let pedigree = Pedigree::from_records(records).unwrap();
        let kinship = pedigree.kinship(pedigree.ids()).unwrap();
        for i in 0..pedigree.len() {
            let f_ii = kinship.coancestry(i, i);
            prop_assert!((0.5 - 1e-12..=1.0).contains(&f_ii));
            for j in 0..pedigree.len() {
                let f_ij = kinship.coancestry(i, j);
                prop_assert_eq!(f_ij, kinship.coancestry(j, i));
                prop_assert!(f_ij >= 0.0);
                // Every 2 × 2 minor of a covariance matrix is non-negative.
                prop_assert!(f_ij * f_ij <= f_ii * kinship.coancestry(j, j) + 1e-12);
                prop_assert!(kinship.wright(i, j) <= 1.0 + 1e-12);
            }
        }
    }

    #[test]
    fn quadratic_forms_are_not_negative(
        records in records(),
        weights in prop::collection::vec(-1.0f64..1.0, 28),
    ) {
        let pedigree = Pedigree::from_records(records).unwrap();
        let kinship = pedigree.kinship(pedigree.ids()).unwrap();
        let form: f64 = kinship
            .rows()
            .zip(&weights)
            .map(|(row, x)| x * row.iter().zip(&weights).map(|(f, y)| f * y).sum::<f64>())
            .sum();
        prop_assert!(form >= -1e-12);
    }

    #[test]
    fn inverse_times_matrix_is_identity(records in records()) {
        let pedigree = Pedigree::from_records(records).unwrap();
        let inverse = pedigree.relationship_inverse(ParentInbreeding::Counted).unwrap();
        let kinship = pedigree.kinship(inverse.ids()).unwrap();
        let n = inverse.ids().len();
        let mut product = vec![0.0; n * n];
        for (row, middle, value) in inverse.entries() {
            for column in 0..n {
                product[row * n + column] += value * kinship.relationship(middle, column);
            }
        }
        for (place, value) in product.iter().enumerate() {
            let expected = if place / n == place % n { 1.0 } else { 0.0 };
            prop_assert!((value - expected).abs() < 1e-6, "{value} at {place} of {n}");
        }
    }

    #[test]
    fn log_determinant_is_that_of_the_matrix(records in records()) {
        let pedigree = Pedigree::from_records(records).unwrap();
        let inverse = pedigree.relationship_inverse(ParentInbreeding::Counted).unwrap();
        let kinship = pedigree.kinship(inverse.ids()).unwrap();
        let n = inverse.ids().len();
        // Cholesky without pivoting.
        let mut l = vec![0.0f64; n * n];
        let mut log_determinant = 0.0;
        for i in 0..n {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| l[i * n + k] * l[j * n + k]).sum();
                let rest = kinship.relationship(i, j) - dot;
                l[i * n + j] = if i == j { rest.sqrt() } else { rest / l[j * n + j] };
            }
            log_determinant += 2.0 * l[i * n + i].ln();
        }
        prop_assert!((log_determinant - inverse.log_determinant()).abs() < 1e-6);
    }

    #[test]
    fn founder_shares_and_the_unknown_rest_sum_to_one(records in records()) {
        let pedigree = Pedigree::from_records(records).unwrap();
        for id in pedigree.ids() {
            let shares = pedigree.founder_shares(id).unwrap();
            let sum: f64 = shares.shares.iter().map(|(_, share)| share).sum();
            prop_assert!(close(sum + shares.unknown, 1.0));
        }
    }

    #[test]
    fn order_of_records_and_of_parents_does_not_matter(records in records(), turn in any::<u32>()) {
        let pedigree = Pedigree::from_records(records.clone()).unwrap();
        let mut other = records;
        let n = other.len();
        other.rotate_left(turn as usize % n);
        let other = Pedigree::from_records(other).unwrap();
        for id in pedigree.ids() {
            prop_assert!(close(pedigree.inbreeding(id).unwrap(), other.inbreeding(id).unwrap()));
            prop_assert_eq!(pedigree.generation(id), other.generation(id));
        }
    }

    #[test]
    fn ancestors_alone_give_the_same_answers(records in records(), pick in any::<u32>()) {
        let pedigree = Pedigree::from_records(records).unwrap();
        let chosen: Vec<usize> =
            pedigree.ids().iter().copied().filter(|id| pick >> (id % 32) & 1 == 1).collect();
        let part = pedigree.ancestral(&chosen).unwrap();
        let all_known = pedigree.inbreeding_of_all();
        for (place, id) in pedigree.ids().iter().enumerate() {
            if part.contains(id) {
                prop_assert!(close(part.inbreeding(id).unwrap(), all_known[place]));
            }
        }
        prop_assert_eq!(part.kinship(&chosen).unwrap(), pedigree.kinship(&chosen).unwrap());
    }

    #[test]
    fn a_cross_expects_what_its_seedlings_show(records in records(), x in any::<u32>(), y in any::<u32>()) {
        let n = records.len();
        let (mother, father) = (x as usize % n, y as usize % n);
        let expected = Pedigree::from_records(records.clone())
            .unwrap()
            .expect_cross(&mother, &father)
            .unwrap();
        let ids: Vec<usize> = (0..n).collect();
        let with_others = Pedigree::from_records(records.clone())
            .unwrap()
            .progeny_coancestry(&mother, &father, &ids)
            .unwrap();
        let with_seedlings = records
            .into_iter()
            .chain([n, n + 1].map(|id| PlantRecord::cross(id, mother, father)));
        let grown = Pedigree::from_records(with_seedlings).unwrap();
        prop_assert!(close(grown.inbreeding(&n).unwrap(), expected.progeny_inbreeding));
        prop_assert!(close(grown.coancestry(&n, &(n + 1)).unwrap(), expected.coancestry_within_progeny));
        prop_assert!(close(grown.coancestry(&n, &mother).unwrap(), expected.coancestry_with_seed_parent));
        prop_assert!(close(grown.coancestry(&n, &father).unwrap(), expected.coancestry_with_pollen_parent));
        for (id, expected) in with_others.into_iter().enumerate() {
            prop_assert!(close(grown.coancestry(&n, &id).unwrap(), expected));
        }
        let d = grown.mendelian_variance_of_all();
        let place = grown.ids().iter().position(|&id| id == n).unwrap();
        prop_assert!(close(d[place], expected.variance_within_progeny));
    }

    #[test]
    fn group_coancestry_is_the_mean_of_the_matrix(records in records()) {
        let pedigree = Pedigree::from_records(records).unwrap();
        let n = pedigree.len() as f64;
        let equal: Vec<(usize, f64)> = pedigree.ids().iter().map(|&id| (id, 1.0 / n)).collect();
        let diversity = pedigree.group_diversity(&equal).unwrap();
        let kinship = pedigree.kinship(pedigree.ids()).unwrap();
        let mean = kinship.rows().flatten().sum::<f64>() / (n * n);
        prop_assert!(close(diversity.group_coancestry, mean));
        prop_assert!(diversity.status_number <= n + 1e-9);
    }

    #[test]
    fn a_loop_is_named_in_order(length in 1usize..6, before in 0usize..4) {
        let lead = (0..before).map(|i| PlantRecord::open_pollinated(i, i + 1));
        let ring = (0..length).map(|i| {
            let (own, next) = (before + i, before + (i + 1) % length);
            if i % 2 == 0 { PlantRecord::open_pollinated(own, next) } else { PlantRecord::clone_of(own, next) }
        });
        let error = Pedigree::from_records(lead.chain(ring)).unwrap_err();
        let PedigreeError::Loop { members } = error else { panic!("{error}") };
        prop_assert_eq!(members.len(), length);
        for (place, &member) in members.iter().enumerate() {
            let next = members[(place + 1) % length];
            prop_assert_eq!(next, before + (member - before + 1) % length);
        }
    }
}
