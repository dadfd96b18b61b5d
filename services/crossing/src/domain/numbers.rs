//! Numbers that people read: G-0041 for germplasm, M-0014 for mothers, P26-0034 for pollen lots,
//! 26-0412 for crosses, 26-0412-S2 for their lots and batches of seed, and 26-0412-037 for seedlings,
//! each with a check character when typed.

use platform::numbering;

/// What a number stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Numbered {
    /// Germplasm, by its running number.
    Germplasm(i32),
    /// A mother, by her running number.
    Mother(i32),
    /// A pollen lot, by the last two digits of its year and its number in it.
    PollenLot {
        /// Last two digits of the year.
        year: i32,
        /// Number in the year.
        number: i32,
    },
    /// A cross.
    Cross {
        /// Last two digits of the crossing year.
        year: i32,
        /// Number in the season.
        number: i32,
    },
    /// A lot or batch of seed.
    SeedLot {
        /// Last two digits of the crossing year.
        year: i32,
        /// Number of the cross in the season.
        cross: i32,
        /// Number of the lot or batch in the cross.
        lot: i32,
    },
    /// A seedling.
    Seedling {
        /// Last two digits of the crossing year.
        year: i32,
        /// Number of the cross in the season.
        cross: i32,
        /// Place in the family.
        place: i32,
    },
}

/// A plant's number.
pub fn germplasm(number: i32) -> String {
    format!("G-{number:04}")
}

/// A mother's number.
pub fn mother(number: i32) -> String {
    format!("M-{number:04}")
}

/// A pollen lot's number.
pub fn pollen_lot(season: i32, number: i32) -> String {
    format!("P{:02}-{number:04}", season.rem_euclid(100))
}

/// A cross's number.
pub fn cross(season: i32, number: i32) -> String {
    format!("{:02}-{number:04}", season.rem_euclid(100))
}

/// The number of a cross's lot or batch of seed.
pub fn seed_lot(season: i32, cross_number: i32, lot: i32) -> String {
    format!("{}-S{lot}", cross(season, cross_number))
}

/// A seedling's number.
pub fn seedling(season: i32, cross: i32, place: i32) -> String {
    numbering::seedling_number(i16::try_from(season).unwrap_or_default(), cross, place)
}

/// A number with its check character.
pub fn checked(number: &str) -> String {
    numbering::with_check_character(number)
}

/// Reads a bare number.
pub fn parse(number: &str) -> Option<Numbered> {
    let number = number.trim().to_ascii_uppercase();
    let digits = |text: &str| {
        (!text.is_empty() && text.len() <= 7 && text.bytes().all(|b| b.is_ascii_digit()))
            .then(|| text.parse::<i32>().ok())
            .flatten()
    };
    let year = |text: &str| if text.len() == 2 { digits(text) } else { None };
    match number.split('-').collect::<Vec<_>>().as_slice() {
        ["G", n] => digits(n).map(Numbered::Germplasm),
        ["M", n] => digits(n).map(Numbered::Mother),
        [head, n] if head.starts_with('P') => Some(Numbered::PollenLot {
            year: year(&head[1..])?,
            number: digits(n)?,
        }),
        [y, n] => Some(Numbered::Cross {
            year: year(y)?,
            number: digits(n)?,
        }),
        [y, n, lot] if lot.starts_with('S') && lot.len() >= 2 => Some(Numbered::SeedLot {
            year: year(y)?,
            cross: digits(n)?,
            lot: digits(&lot[1..])?,
        }),
        // Places are written with three digits at least; a single character is a check character.
        [y, n, p] if p.len() >= 3 => Some(Numbered::Seedling {
            year: year(y)?,
            cross: digits(n)?,
            place: digits(p)?,
        }),
        _ => None,
    }
}

/// A number as typed: with its check character, which must hold, or without.
///
/// # Errors
/// What is wrong with it.
pub fn typed(text: &str) -> Result<Numbered, String> {
    if let Some(bare) = numbering::verify(text)
        && let Some(number) = parse(bare)
    {
        return Ok(number);
    }
    if let Some(number) = parse(text) {
        return Ok(number);
    }
    let bare = text.rsplit_once('-').and_then(|(bare, _)| parse(bare));
    Err(if bare.is_some() {
        format!("{text} does not agree with its check character; read it again")
    } else {
        format!(
            "{text:?} is no number of ours; they read G-0041, M-0014, P26-0034, 26-0412, 26-0412-S2 or 26-0412-037, with or without a check character"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_back() {
        assert_eq!(parse(&germplasm(41)), Some(Numbered::Germplasm(41)));
        assert_eq!(parse(&mother(14)), Some(Numbered::Mother(14)));
        assert_eq!(
            parse(&pollen_lot(2026, 34)),
            Some(Numbered::PollenLot {
                year: 26,
                number: 34
            })
        );
        assert_eq!(
            typed(&checked(&seed_lot(2026, 412, 2))),
            Ok(Numbered::SeedLot {
                year: 26,
                cross: 412,
                lot: 2
            })
        );
        assert_eq!(
            parse(&seedling(2026, 412, 1037)),
            Some(Numbered::Seedling {
                year: 26,
                cross: 412,
                place: 1037
            })
        );
    }

    #[test]
    fn a_check_character_that_does_not_hold_is_told() {
        let good = checked("26-0412-037");
        assert_eq!(typed(&good), typed("26-0412-037"));
        let wrong = good.replacen("37", "73", 1);
        assert!(typed(&wrong).unwrap_err().contains("check character"));
        assert!(typed("hello").is_err());
    }
}
