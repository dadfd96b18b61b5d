//! Checks on what is told of a plant.

use std::collections::BTreeMap;

use compatibility::{GenotypePattern, Taxon, catalogue};
use contract::crossing::{CrossWarning, Passport};
use jiff::civil::Date;
use platform::Fields;

use super::warnings::{WarningCode, warning};

/// Values of the descriptor SAMPSTAT.
const BIOLOGICAL_STATUS: [&str; 21] = [
    "100", "110", "120", "130", "200", "300", "400", "410", "411", "412", "413", "414", "415",
    "416", "420", "421", "422", "423", "500", "600", "999",
];
/// Values of the descriptor COLLSRC.
const COLLECTING_SOURCE: [&str; 22] = [
    "10", "11", "12", "13", "14", "15", "20", "21", "22", "23", "24", "25", "26", "27", "28", "30",
    "40", "50", "60", "61", "62", "99",
];

/// Checks passport data against the form of the Multi-Crop Passport Descriptors V.2.1.
pub fn check_passport(fields: &mut Fields, passport: &Passport) {
    let institute = |code: &str| {
        let (letters, digits) = code.split_at(code.len().min(3));
        code.is_empty()
            || (letters.len() == 3
                && letters.bytes().all(|b| b.is_ascii_uppercase())
                && digits.len() >= 3
                && digits.bytes().all(|b| b.is_ascii_digit()))
    };
    for (field, code) in [
        ("passport/institute_code", &passport.institute_code),
        ("passport/donor_code", &passport.donor_code),
        (
            "passport/breeding_institute_code",
            &passport.breeding_institute_code,
        ),
    ] {
        fields.require(
            code.is_ascii() && institute(code),
            field,
            format!("{code:?} is not a WIEWS code; write three letters and digits, as USA026"),
        );
    }
    let country = &passport.origin_country;
    fields.require(
        country.is_empty()
            || (country.len() == 3 && country.bytes().all(|b| b.is_ascii_uppercase())),
        "passport/origin_country",
        format!("{country:?} is not an ISO 3166-1 alpha-3 code, as USA"),
    );
    fields.require(
        passport.biological_status.is_empty()
            || BIOLOGICAL_STATUS.contains(&passport.biological_status.as_str()),
        "passport/biological_status",
        format!(
            "{:?} is not a code of SAMPSTAT; 500 is an advanced variety, 410 breeding material, 100 wild",
            passport.biological_status
        ),
    );
    fields.require(
        passport.collecting_source.is_empty()
            || COLLECTING_SOURCE.contains(&passport.collecting_source.as_str()),
        "passport/collecting_source",
        format!(
            "{:?} is not a code of COLLSRC; 10 is wild, 20 cultivated, 30 a market, 40 an institute",
            passport.collecting_source
        ),
    );
    let date = &passport.acquisition_date;
    fields.require(
        is_passport_date(date),
        "passport/acquisition_date",
        format!("{date:?} is not a date; write YYYYMMDD with hyphens for unknown parts"),
    );
}

/// YYYYMMDD with unknown month or day as hyphens, or an ISO date, or nothing.
fn is_passport_date(text: &str) -> bool {
    if text.is_empty() || text.parse::<Date>().is_ok() {
        return true;
    }
    if text.len() != 8 || !text.is_ascii() {
        return false;
    }
    let (year, rest) = text.split_at(4);
    let (month, day) = rest.split_at(2);
    let part = |text: &str, min: u8, max: u8| {
        text == "--" || text == "00" || text.parse::<u8>().is_ok_and(|n| (min..=max).contains(&n))
    };
    year.bytes().all(|b| b.is_ascii_digit()) && part(month, 1, 12) && part(day, 1, 31)
}

/// Checks genotypes by locus: each must read as two alleles; a locus that the species' catalogue
/// does not hold, or an allele that it does not have, is warned about.
pub fn check_loci(
    fields: &mut Fields,
    taxon: Option<&Taxon>,
    loci: &BTreeMap<String, String>,
) -> Vec<CrossWarning> {
    let mut warnings = Vec::new();
    for (locus, genotype) in loci {
        if let Err(error) = GenotypePattern::parse(genotype) {
            fields.fault(&format!("loci/{locus}"), error.to_string());
            continue;
        }
        let Some(species) = taxon.and_then(Taxon::species) else {
            continue;
        };
        match catalogue::find(species, locus) {
            None => warnings.push(warning(
                WarningCode::UnknownLocus,
                format!("locus {locus} is not described for {species}; it is kept as given"),
            )),
            Some(known) => {
                let exact = !genotype.ends_with(['_', '-']);
                if let Some(Err(error)) = exact.then(|| known.genotype(genotype)) {
                    warnings.push(warning(WarningCode::UnknownLocus, error.to_string()));
                }
            }
        }
    }
    warnings
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passport_dates_may_be_partly_unknown() {
        for good in ["", "20260214", "2026----", "202602--", "2026-02-14"] {
            assert!(is_passport_date(good), "{good}");
        }
        for bad in ["2026", "20261402", "14.2.2026", "2026-13-01"] {
            assert!(!is_passport_date(bad), "{bad}");
        }
    }

    #[test]
    fn codes_outside_the_descriptors_are_refused() {
        let mut fields = Fields::new();
        let passport = Passport {
            institute_code: "usa26".into(),
            origin_country: "US".into(),
            biological_status: "42".into(),
            ..Passport::default()
        };
        check_passport(&mut fields, &passport);
        let pointers: Vec<String> = fields
            .into_errors()
            .into_iter()
            .map(|error| error.pointer)
            .collect();
        assert_eq!(
            pointers,
            [
                "/passport/institute_code",
                "/passport/origin_country",
                "/passport/biological_status"
            ]
        );
    }
}
