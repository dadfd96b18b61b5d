//! Square lattices from mutually orthogonal Latin squares, and what can be cut from them.
//!
//! The points of an s × s square and the lines y = m·x + b over the field of s elements (s a power of
//! a prime), with the rows and columns, make s + 1 parallel classes of s lines; two lines of
//! different classes meet in one point. A class is a replicate of s blocks (square lattice, Yates
//! 1936), two classes are the rows and columns of one (lattice square, Yates 1940). For other s the
//! squares of the factors are multiplied (MacNeish 1922), which leaves as many squares as the
//! smallest factor has. Leaving out s − k lines of a class that is not used leaves s·k entries in
//! blocks of k (rectangular lattices, Harshbarger 1947, at k = s − 1). All from memory; Cochran and
//! Cox 1957, chapters 10 to 12, have the plans and their efficiency.

use super::resolvable::Replicate;

/// A field of `order` elements, which are numbered from 0; 0 and 1 are those of the field.
struct Field {
    order: usize,
    prime: usize,
    /// Coefficients below the leading one of an irreducible polynomial, the constant first.
    modulus: Vec<usize>,
}

/// The prime and the power that make a number; none for one that is no power of a prime.
fn prime_power(n: usize) -> Option<(usize, usize)> {
    let prime = (2..=n).find(|p| n.is_multiple_of(*p))?;
    let (mut rest, mut power) = (n, 0);
    while rest.is_multiple_of(prime) {
        rest /= prime;
        power += 1;
    }
    (rest == 1).then_some((prime, power))
}

/// Powers of primes whose product a number is.
fn prime_powers(mut n: usize) -> Vec<usize> {
    let mut powers = Vec::new();
    let mut prime = 2;
    while n > 1 {
        let mut power = 1;
        while n.is_multiple_of(prime) {
            n /= prime;
            power *= prime;
        }
        if power > 1 {
            powers.push(power);
        }
        prime += 1;
    }
    powers
}

impl Field {
    fn new(order: usize) -> Option<Self> {
        let (prime, power) = prime_power(order)?;
        // All monic polynomials of the degree, until one gives a field: no product of two elements
        // other than 0 is 0.
        (0..order).find_map(|code| {
            let mut rest = code;
            let modulus = (0..power)
                .map(|_| {
                    let digit = rest % prime;
                    rest /= prime;
                    digit
                })
                .collect();
            let field = Self {
                order,
                prime,
                modulus,
            };
            let no_divisors = (1..order).all(|a| (a..order).all(|b| field.times(a, b) != 0));
            no_divisors.then_some(field)
        })
    }

    fn digits(&self, element: usize) -> Vec<usize> {
        let mut rest = element;
        self.modulus
            .iter()
            .map(|_| {
                let digit = rest % self.prime;
                rest /= self.prime;
                digit
            })
            .collect()
    }

    fn element(&self, digits: &[usize]) -> usize {
        digits
            .iter()
            .rev()
            .fold(0, |sum, digit| sum * self.prime + digit)
    }

    fn plus(&self, a: usize, b: usize) -> usize {
        let sums: Vec<usize> = self
            .digits(a)
            .iter()
            .zip(self.digits(b))
            .map(|(a, b)| (a + b) % self.prime)
            .collect();
        self.element(&sums)
    }

    fn times(&self, a: usize, b: usize) -> usize {
        let (p, degree) = (self.prime, self.modulus.len());
        let mut product = vec![0; 2 * degree - 1];
        for (i, x) in self.digits(a).into_iter().enumerate() {
            for (j, y) in self.digits(b).into_iter().enumerate() {
                product[i + j] = (product[i + j] + x * y) % p;
            }
        }
        for place in (degree..product.len()).rev() {
            let lead = std::mem::take(&mut product[place]);
            for (i, m) in self.modulus.iter().enumerate() {
                let at = place - degree + i;
                product[at] = (product[at] + lead * (p - m)) % p;
            }
        }
        self.element(&product[..degree])
    }
}

/// Largest square looked at: its lines are made in no time up to here.
const LARGEST_SIDE: usize = 64;

/// Mutually orthogonal Latin squares of one side, `[square][row][column]`, all that the factors of
/// the side give, at most `most`.
fn orthogonal_squares(side: usize, most: usize) -> Vec<Vec<Vec<usize>>> {
    if !(2..=LARGEST_SIDE).contains(&side) {
        return Vec::new();
    }
    let fields: Vec<Field> = prime_powers(side)
        .into_iter()
        .filter_map(Field::new)
        .collect();
    let squares_n = fields
        .iter()
        .map(|f| f.order - 1)
        .min()
        .unwrap_or(0)
        .min(most);
    (1..=squares_n)
        .map(|m| {
            (0..side)
                .map(|row| {
                    (0..side)
                        .map(|column| {
                            // The digits of row and column in the orders of the factors.
                            let (mut r, mut c, mut symbol, mut scale) = (row, column, 0, 1);
                            for field in &fields {
                                let (x, y) = (r % field.order, c % field.order);
                                symbol += scale * field.plus(field.times(m, x), y);
                                scale *= field.order;
                                r /= field.order;
                                c /= field.order;
                            }
                            symbol
                        })
                        .collect()
                })
                .collect()
        })
        .collect()
}

/// Parallel classes of a square: `[class][point] -> line`, points row by row; rows and columns first.
pub(super) fn parallel_classes(side: usize, most: usize) -> Vec<Vec<usize>> {
    let points = || (0..side * side).map(move |point| (point / side, point % side));
    let squares = orthogonal_squares(side, most.saturating_sub(2));
    std::iter::once(points().map(|(row, _)| row).collect())
        .chain([points().map(|(_, column)| column).collect()])
        .chain(
            squares
                .into_iter()
                .map(|square| points().map(|(row, column)| square[row][column]).collect()),
        )
        .take(most)
        .collect()
}

/// Resolvable blocks of `block_size`, as many a replicate as the square's side, cut from a square
/// lattice; none where there are not classes enough.
pub(super) fn resolvable_blocks(
    entries_n: usize,
    replicates: usize,
    block_size: usize,
) -> Option<Vec<Replicate>> {
    let side = entries_n / block_size;
    if !entries_n.is_multiple_of(block_size)
        || block_size > side
        || !(2..=LARGEST_SIDE).contains(&side)
    {
        return None;
    }
    // A class is spent on what is left out.
    let spent = usize::from(block_size < side);
    let classes = parallel_classes(side, replicates + spent);
    if classes.len() < 2 + spent {
        return None;
    }
    let kept = |point: usize| spent == 0 || classes[0][point] < block_size;
    let mut numbers = vec![None; side * side];
    for (entry, point) in (0..side * side).filter(|point| kept(*point)).enumerate() {
        numbers[point] = Some(entry);
    }
    let used = &classes[spent..];
    if used.len() < replicates && used.len() < 2 {
        return None;
    }
    let sections = (0..replicates)
        .map(|replicate| {
            // With more replicates than classes, some serve again.
            let class = &used[replicate % used.len()];
            let mut blocks = vec![Vec::with_capacity(block_size); side];
            for (point, line) in class.iter().enumerate() {
                blocks[*line].extend(numbers[point]);
            }
            blocks
        })
        .collect();
    Some(sections)
}

/// Lattice squares, `[replicate][row][column] -> entry`: each replicate has a class for its rows and
/// another for its columns; classes serve again only when all did.
pub(super) fn squares(
    entries_n: usize,
    replicates: usize,
    columns: usize,
) -> Option<Vec<Replicate>> {
    let side = columns;
    if side * side != entries_n || !(2..=LARGEST_SIDE).contains(&side) {
        return None;
    }
    let classes = parallel_classes(side, 2 * replicates);
    // Where classes are an odd number, going round changes who is with whom.
    let at = |place: usize| &classes[place % classes.len()];
    let sections = (0..replicates)
        .map(|replicate| {
            let (rows, columns) = (at(2 * replicate), at(2 * replicate + 1));
            let mut square = vec![vec![0; side]; side];
            for point in 0..side * side {
                square[rows[point]][columns[point]] = point;
            }
            square
        })
        .collect();
    Some(sections)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn squares_are_orthogonal_and_as_many_as_can_be() {
        for (side, squares_n) in [
            (2, 1),
            (3, 2),
            (4, 3),
            (5, 4),
            (6, 1),
            (7, 6),
            (8, 7),
            (9, 8),
            (10, 1),
            (12, 2),
            (15, 2),
            (16, 15),
            (25, 24),
            (27, 26),
        ] {
            let squares = orthogonal_squares(side, usize::MAX);
            assert_eq!(squares.len(), squares_n, "side {side}");
            for (place, first) in squares.iter().enumerate() {
                for line in first {
                    assert_eq!(line.iter().collect::<HashSet<_>>().len(), side);
                }
                for column in 0..side {
                    let symbols: HashSet<_> = first.iter().map(|line| line[column]).collect();
                    assert_eq!(symbols.len(), side);
                }
                for second in squares.iter().skip(place + 1).take(3) {
                    let pairs: HashSet<_> = first
                        .iter()
                        .flatten()
                        .zip(second.iter().flatten())
                        .collect();
                    assert_eq!(pairs.len(), side * side, "side {side}");
                }
            }
        }
    }

    #[test]
    fn no_two_entries_meet_twice_while_classes_last() {
        for (entries_n, replicates, block_size) in [
            (25, 6, 5),
            (9, 4, 3),
            (20, 5, 4),
            (12, 4, 3),
            (56, 4, 7),
            (35, 4, 5),
            (144, 4, 12),
        ] {
            let sections = resolvable_blocks(entries_n, replicates, block_size).unwrap();
            let mut met = HashSet::new();
            for blocks in &sections {
                let all: HashSet<_> = blocks.iter().flatten().collect();
                assert_eq!(all.len(), entries_n);
                for block in blocks {
                    assert_eq!(block.len(), block_size);
                    for (place, a) in block.iter().enumerate() {
                        for b in &block[place + 1..] {
                            assert!(met.insert((*a.min(b), *a.max(b))), "{a} and {b} meet twice");
                        }
                    }
                }
            }
        }
        assert!(resolvable_blocks(36, 3, 6).is_some(), "a triple lattice");
        assert!(
            resolvable_blocks(24, 3, 8).is_none(),
            "blocks longer than the side"
        );
    }
}
