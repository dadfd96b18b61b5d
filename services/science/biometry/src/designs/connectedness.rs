//! Which entries can be compared within blocks.

/// Numbers the connected sets of a two-way layout: two entries are in one set when a chain of
/// shared environments (blocks, sites) joins them, so that their difference can be estimated.
///
/// `pairs` are the (entry, environment) cells with at least one observation. The answer gives the
/// set of each entry, numbered from 0 by first appearance; an entry without cells is a set alone.
#[must_use]
pub fn connected_sets(
    pairs: &[(usize, usize)],
    entries_n: usize,
    environments_n: usize,
) -> Vec<usize> {
    let mut parent: Vec<usize> = (0..entries_n + environments_n).collect();
    fn root(parent: &mut [usize], mut node: usize) -> usize {
        while parent[node] != node {
            parent[node] = parent[parent[node]];
            node = parent[node];
        }
        node
    }
    for &(entry, environment) in pairs {
        let (a, b) = (
            root(&mut parent, entry),
            root(&mut parent, entries_n + environment),
        );
        parent[a.max(b)] = a.min(b);
    }
    let mut number_of_root = vec![None; entries_n + environments_n];
    let mut sets_n = 0;
    (0..entries_n)
        .map(|entry| {
            let r = root(&mut parent, entry);
            *number_of_root[r].get_or_insert_with(|| {
                sets_n += 1;
                sets_n - 1
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::connected_sets;

    #[test]
    fn chains_join_and_gaps_part() {
        assert_eq!(
            connected_sets(&[(0, 0), (1, 0), (1, 1), (2, 1)], 3, 2),
            [0, 0, 0]
        );
        assert_eq!(
            connected_sets(&[(0, 0), (1, 1), (2, 1)], 4, 2),
            [0, 1, 1, 2]
        );
    }
}
