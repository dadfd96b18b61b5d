//! Numbers that people read and type, with a check character against slips of the pen.
//!
//! The check character is that of ISO/IEC 7064, MOD 37,36: it catches every wrong character and
//! more than 99 of 100 swaps of two neighbours (formula from memory of the standard; both shares
//! are checked by the tests below).

const ALPHABET: &[u8; 36] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";
const MODULUS: u32 = 36;

fn value(character: char) -> Option<u32> {
    character.to_ascii_uppercase().to_digit(36)
}

fn checksum(characters: impl Iterator<Item = char>) -> u32 {
    characters.filter_map(value).fold(MODULUS, |state, digit| {
        let sum = (state + digit) % MODULUS;
        let sum = if sum == 0 { MODULUS } else { sum };
        sum * 2 % (MODULUS + 1)
    })
}

/// The check character of a number; hyphens and spaces do not count.
pub fn check_character(number: &str) -> char {
    let state = checksum(number.chars());
    let digit = (MODULUS + 1 - state) % MODULUS;
    char::from(ALPHABET[digit as usize])
}

/// The number with its check character: `26-0412-037` becomes `26-0412-037-K` or the like.
pub fn with_check_character(number: &str) -> String {
    format!("{number}-{}", check_character(number))
}

/// The number without its check character, when the character holds.
pub fn verify(typed: &str) -> Option<&str> {
    let typed = typed.trim();
    let (number, check) = typed.rsplit_once('-')?;
    let mut check = check.chars();
    match (check.next(), check.next()) {
        (Some(c), None) if c.to_ascii_uppercase() == check_character(number) => Some(number),
        _ => None,
    }
}

/// A seedling's number from its crossing year, cross and place in the family: `26-0412-037`.
pub fn seedling_number(season: i16, cross_number: i32, place: i32) -> String {
    format!("{:02}-{cross_number:04}-{place:03}", season.rem_euclid(100))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_number_verifies_with_its_own_character_only() {
        let full = with_check_character("26-0412-037");
        assert_eq!(verify(&full), Some("26-0412-037"));
        let own = check_character("26-0412-037");
        for &other in ALPHABET {
            let other = char::from(other);
            if other != own {
                assert_eq!(verify(&format!("26-0412-037-{other}")), None);
            }
        }
    }

    /// ISO/IEC 7064 gives A12425GABC1234002 with check character M for MOD 37,36 (from memory).
    #[test]
    fn the_standards_example_holds() {
        assert_eq!(check_character("A12425GABC1234002"), 'M');
    }

    proptest! {
        #[test]
        fn one_wrong_digit_is_caught(season in 0i16..100, cross in 1i32..9999, place in 1i32..999, at in 0usize..9, by in 1u32..10) {
            let number = seedling_number(season, cross, place);
            let check = check_character(&number);
            let mut characters: Vec<char> = number.chars().collect();
            let positions: Vec<usize> = (0..characters.len()).filter(|&i| characters[i] != '-').collect();
            let i = positions[at % positions.len()];
            let digit = characters[i].to_digit(10).unwrap();
            characters[i] = char::from_digit((digit + by) % 10, 10).unwrap();
            let wrong: String = characters.into_iter().collect();
            prop_assume!(wrong != number);
            prop_assert_ne!(check_character(&wrong), check);
        }
    }

    /// Every swap of unlike neighbours in every number of five digits.
    #[test]
    fn all_but_one_in_a_hundred_swaps_of_neighbours_are_caught() {
        let (mut swaps, mut missed) = (0u32, 0u32);
        for number in (0..100_000).map(|n| format!("{n:05}")) {
            let check = check_character(&number);
            let digits: Vec<char> = number.chars().collect();
            for at in 0..4 {
                let mut swapped = digits.clone();
                swapped.swap(at, at + 1);
                if swapped != digits {
                    swaps += 1;
                    let swapped: String = swapped.into_iter().collect();
                    missed += u32::from(check_character(&swapped) == check);
                }
            }
        }
        assert_eq!(swaps, 360_000);
        assert!(
            missed * 100 < swaps,
            "{missed} of {swaps} swaps went unseen"
        );
    }
}
