//! The pedigree as numbers: genotypes in an order that puts parents before offspring and full
//! sibs side by side, and the two computations everything else rests on.

/// No parent known.
pub(crate) const NONE: u32 = u32::MAX;
/// Marks an average parent; its other field then holds the number of a mixture.
const MIXTURE: u32 = u32::MAX - 1;
/// The largest number of nodes that the marks above leave room for.
pub(crate) const NODE_LIMIT: usize = MIXTURE as usize;

/// Candidate parents, each with its probability.
pub(crate) type Mixture = Vec<(u32, f64)>;

/// One genotype, or one average parent made of several candidates.
///
/// An average parent is a bookkeeping genotype whose row of the relationship matrix is the
/// weighted mean of its candidates' rows, with no variance of its own (the average numerator
/// relationship, Henderson 1988, from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Node {
    seed: u32,
    pollen: u32,
}

/// A node as seen by the algorithms.
pub(crate) enum Parentage<'a> {
    Cross {
        seed: Option<u32>,
        pollen: Option<u32>,
    },
    Average(&'a [(u32, f64)]),
}

impl Node {
    pub(crate) fn cross(seed: u32, pollen: u32) -> Self {
        Self { seed, pollen }
    }

    pub(crate) fn average(mixture: u32) -> Self {
        Self {
            seed: MIXTURE,
            pollen: mixture,
        }
    }

    pub(crate) fn is_average(self) -> bool {
        self.seed == MIXTURE
    }

    fn same_parents(self, other: Self) -> bool {
        !self.is_average()
            && !other.is_average()
            && (self == other || (self.seed == other.pollen && self.pollen == other.seed))
    }
}

fn known(index: u32) -> Option<u32> {
    (index != NONE).then_some(index)
}

/// Diagonals of A and D in A = T D T′, by node.
#[derive(Debug, Clone, Default)]
pub(crate) struct Variances {
    /// a(i, i) = 1 + F(i).
    pub(crate) a: Vec<f64>,
    /// Mendelian sampling variance as a share of the additive variance.
    pub(crate) d: Vec<f64>,
}

#[derive(Debug, Clone, Default)]
pub(crate) struct Core {
    pub(crate) nodes: Vec<Node>,
    pub(crate) mixtures: Vec<Mixture>,
    /// Longest line of descent to each node, counted so that parents are always below offspring.
    pub(crate) levels: Vec<u32>,
}

impl Core {
    pub(crate) fn len(&self) -> usize {
        self.nodes.len()
    }

    pub(crate) fn parentage(&self, node: usize) -> Parentage<'_> {
        let Node { seed, pollen } = self.nodes[node];
        if seed == MIXTURE {
            Parentage::Average(&self.mixtures[pollen as usize])
        } else {
            Parentage::Cross {
                seed: known(seed),
                pollen: known(pollen),
            }
        }
    }

    /// Calls `visit` with each known parent and the share of the genome expected from it.
    #[inline]
    pub(crate) fn for_each_parent(&self, node: usize, mut visit: impl FnMut(usize, f64)) {
        let Node { seed, pollen } = self.nodes[node];
        if seed == MIXTURE {
            for &(candidate, share) in &self.mixtures[pollen as usize] {
                visit(candidate as usize, share);
            }
            return;
        }
        if seed != NONE {
            visit(seed as usize, 0.5);
        }
        if pollen != NONE {
            visit(pollen as usize, 0.5);
        }
    }

    /// The same, with average parents opened into their candidates and a parent that is met twice
    /// (selfing) named once with the whole of its share.
    pub(crate) fn opened_parents(&self, node: usize) -> Vec<(usize, f64)> {
        let mut parents: Vec<(usize, f64)> = Vec::with_capacity(2);
        let mut add = |parent: usize, share: f64| {
            match parents.iter_mut().find(|(known, _)| *known == parent) {
                Some((_, sum)) => *sum += share,
                None => parents.push((parent, share)),
            };
        };
        self.for_each_parent(node, |parent, share| match self.parentage(parent) {
            Parentage::Average(candidates) => {
                candidates
                    .iter()
                    .for_each(|&(c, w)| add(c as usize, share * w));
            }
            Parentage::Cross { .. } => add(parent, share),
        });
        parents
    }

    /// Inbreeding of every node by Meuwissen and Luo (1992, Genet. Sel. Evol. 24:305-313, from
    /// memory): a(i, i) = Σ l(i, j)² d(j) over i and its ancestors j, where l is a row of T.
    ///
    /// Ancestors are visited level by level, so no ordered list is kept, and full sibs, which are
    /// neighbours, share one visit. Time is families × ancestors; memory a few numbers a plant.
    pub(crate) fn variances(&self) -> Variances {
        let n = self.len();
        let mut a: Vec<f64> = Vec::with_capacity(n);
        let mut d: Vec<f64> = Vec::with_capacity(n);
        let mut walk = AncestorWalk::new(self);
        for i in 0..n {
            let (a_i, d_i) = match self.parentage(i) {
                Parentage::Average(_) => (walk.quadratic_form(i), 0.0),
                Parentage::Cross { seed, pollen } => {
                    let parent_a = |p: Option<u32>| p.map_or(0.0, |p| a[p as usize]);
                    let d_i = 1.0 - 0.25 * (parent_a(seed) + parent_a(pollen));
                    let a_i = match (seed, pollen) {
                        (Some(s), Some(p)) if s == p => 1.0 + 0.5 * a[s as usize],
                        (Some(_), Some(_)) if self.follows_full_sib(i) => a[i - 1],
                        (Some(_), Some(_)) => walk.quadratic_form(i) + d_i,
                        _ => 1.0,
                    };
                    (a_i, d_i)
                }
            };
            walk.enrol(i, d_i);
            a.push(a_i);
            d.push(d_i);
        }
        Variances { a, d }
    }

    fn follows_full_sib(&self, node: usize) -> bool {
        node > 0 && self.nodes[node].same_parents(self.nodes[node - 1])
    }

    /// A·x by Colleau (2002, Genet. Sel. Evol. 34:409-421, from memory): A = T D T′ is applied
    /// factor by factor, without being built. `x` is overwritten with the product.
    pub(crate) fn relationship_times(&self, d: &[f64], x: &mut [f64]) {
        self.descent_transposed(x);
        for (value, variance) in x.iter_mut().zip(d) {
            *value *= variance;
        }
        for i in 0..self.len() {
            let mut inherited = 0.0;
            self.for_each_parent(i, |parent, share| inherited += share * x[parent]);
            x[i] += inherited;
        }
    }

    /// T′·x: what each node contributes to the weighted sum of plants `x`, by all lines of descent.
    pub(crate) fn descent_transposed(&self, x: &mut [f64]) {
        for i in (0..self.len()).rev() {
            let value = x[i];
            if value != 0.0 {
                self.for_each_parent(i, |parent, share| x[parent] += share * value);
            }
        }
    }

    /// The relationship matrix by the tabular rule (Henderson 1976, Biometrics 32:69-83, from
    /// memory), row-major.
    pub(crate) fn table(&self) -> Vec<f64> {
        let n = self.len();
        let mut a = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..i {
                let mut value = 0.0;
                self.for_each_parent(i, |parent, share| value += share * a[parent * n + j]);
                a[i * n + j] = value;
                a[j * n + i] = value;
            }
            a[i * n + i] = match self.parentage(i) {
                Parentage::Cross {
                    seed: Some(s),
                    pollen: Some(p),
                } => 1.0 + 0.5 * a[s as usize * n + p as usize],
                Parentage::Cross { .. } => 1.0,
                Parentage::Average(candidates) => {
                    let pairs = candidates
                        .iter()
                        .flat_map(|x| candidates.iter().map(move |y| (x, y)));
                    pairs
                        .map(|(x, y)| x.1 * y.1 * a[x.0 as usize * n + y.0 as usize])
                        .sum()
                }
            };
        }
        a
    }

    /// The nodes `targets` with all their ancestors, and the number each had here.
    pub(crate) fn restricted(&self, targets: &[u32]) -> (Self, Vec<u32>) {
        let top = targets.iter().max().map_or(0, |&t| t as usize + 1);
        let mut wanted = vec![false; top];
        targets.iter().for_each(|&t| wanted[t as usize] = true);
        for i in (0..top).rev() {
            if wanted[i] {
                self.for_each_parent(i, |parent, _| wanted[parent] = true);
            }
        }
        let kept: Vec<u32> = (0..top as u32).filter(|&i| wanted[i as usize]).collect();
        let mut new_number = vec![NONE; top];
        kept.iter()
            .enumerate()
            .for_each(|(new, &old)| new_number[old as usize] = new as u32);
        let renumber = |p: Option<u32>| p.map_or(NONE, |p| new_number[p as usize]);
        let mut core = Self::default();
        for &old in &kept {
            let node = match self.parentage(old as usize) {
                Parentage::Cross { seed, pollen } => Node::cross(renumber(seed), renumber(pollen)),
                Parentage::Average(candidates) => {
                    let moved = candidates.iter().map(|&(c, w)| (new_number[c as usize], w));
                    core.mixtures.push(moved.collect());
                    Node::average(core.mixtures.len() as u32 - 1)
                }
            };
            core.nodes.push(node);
            core.levels.push(self.levels[old as usize]);
        }
        (core, kept)
    }
}

/// A plant that has offspring, with all that a visit needs side by side in memory.
#[derive(Clone, Copy)]
#[repr(align(32))]
struct Ancestor {
    node: Node,
    level: u32,
    d: f64,
    /// Its place in the row of T for the node at hand; zero means not visited.
    share: f64,
}

/// Visits the ancestors of one node after another. Only plants with offspring are held, numbered
/// among themselves, so that a million seedlings do not crowd their few parents out of the cache.
struct AncestorWalk<'a> {
    core: &'a Core,
    /// Number of each node among the ancestors; `NONE` without offspring.
    rank_of: Vec<u32>,
    ancestors: Vec<Ancestor>,
    waiting: Vec<Vec<u32>>,
}

impl<'a> AncestorWalk<'a> {
    fn new(core: &'a Core) -> Self {
        const HAS_OFFSPRING: u32 = 0;
        let mut rank_of = vec![NONE; core.len()];
        for node in 0..core.len() {
            core.for_each_parent(node, |parent, _| rank_of[parent] = HAS_OFFSPRING);
        }
        let with_offspring = rank_of.iter_mut().filter(|rank| **rank == HAS_OFFSPRING);
        with_offspring
            .zip(0..)
            .for_each(|(rank, number)| *rank = number);
        let levels = core.levels.iter().max().map_or(0, |&l| l as usize + 1);
        Self {
            core,
            rank_of,
            ancestors: Vec::new(),
            waiting: vec![Vec::new(); levels],
        }
    }

    /// Makes a node with offspring known to later visits; nodes come in order.
    fn enrol(&mut self, node: usize, d: f64) {
        if self.rank_of[node] == NONE {
            return;
        }
        let rank = |parent: u32| {
            if parent == NONE {
                NONE
            } else {
                self.rank_of[parent as usize]
            }
        };
        let Node { seed, pollen } = self.core.nodes[node];
        let ranked = match seed {
            MIXTURE => Node::average(pollen),
            _ => Node::cross(rank(seed), rank(pollen)),
        };
        let level = self.core.levels[node];
        self.ancestors.push(Ancestor {
            node: ranked,
            level,
            d,
            share: 0.0,
        });
    }

    /// Σ l(i, j)² d(j) over the ancestors j of `node`, the node itself left out.
    fn quadratic_form(&mut self, node: usize) -> f64 {
        let Self {
            core,
            rank_of,
            ancestors,
            waiting,
        } = self;
        core.for_each_parent(node, |parent, share| {
            reach(ancestors, waiting, rank_of[parent], share);
        });
        let mut sum = 0.0;
        for level in (0..core.levels[node] as usize).rev() {
            let mut here = std::mem::take(&mut waiting[level]);
            for rank in here.drain(..) {
                let ancestor = &mut ancestors[rank as usize];
                let share = std::mem::take(&mut ancestor.share);
                sum += share * share * ancestor.d;
                let Node { seed, pollen } = ancestor.node;
                if seed == MIXTURE {
                    for &(candidate, part) in &core.mixtures[pollen as usize] {
                        reach(
                            ancestors,
                            waiting,
                            rank_of[candidate as usize],
                            share * part,
                        );
                    }
                } else {
                    for parent in [seed, pollen].into_iter().filter(|&parent| parent != NONE) {
                        reach(ancestors, waiting, parent, 0.5 * share);
                    }
                }
            }
            waiting[level] = here;
        }
        sum
    }
}

/// Adds to the share of an ancestor, and puts it on its level's list when first met.
#[inline]
fn reach(ancestors: &mut [Ancestor], waiting: &mut [Vec<u32>], rank: u32, share: f64) {
    let ancestor = &mut ancestors[rank as usize];
    if ancestor.share == 0.0 {
        waiting[ancestor.level as usize].push(rank);
    }
    ancestor.share += share;
}
