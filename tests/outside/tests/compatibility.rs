//! S alleles, segregation and loci against published genotypes and computed ratios.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Debug;

use compatibility::catalogue::{self, Confidence, Dominance, LethalModel, Locus};
use compatibility::{
    GenotypePattern, LocusCross, SGenotype, SelfCompatibility, Share, Species, Verdict,
    incompatibility_group, judge, plants_needed, self_compatibility, unlinked_share,
};
use outside_checks::{read_case_file, read_further_case_file};
use serde::Deserialize;
use serde::de::DeserializeOwned;

fn rows<T: DeserializeOwned>(file: &str) -> Vec<T> {
    let text = read_case_file(file);
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let rows: Vec<T> = reader
        .deserialize()
        .map(|row| row.unwrap_or_else(|error| panic!("{file}: {error}")))
        .collect();
    assert!(!rows.is_empty(), "{file} holds no case");
    rows
}

/// Failures of all files, so that all are seen at once.
#[derive(Default)]
struct Failures(Vec<String>);

impl Failures {
    fn add(&mut self, case: &str, message: impl std::fmt::Display) {
        self.0.push(format!("{case}: {message}"));
    }

    fn equal<T: PartialEq + Debug>(&mut self, case: &str, what: &str, actual: T, expected: T) {
        if actual != expected {
            self.add(case, format!("{what} is {actual:?}, expected {expected:?}"));
        }
    }

    fn run<E: std::fmt::Display>(
        &mut self,
        case: &str,
        check: impl FnOnce(&mut Self) -> Result<(), E>,
    ) {
        if let Err(error) = check(self) {
            self.add(case, error);
        }
    }
}

type Anything = Box<dyn std::error::Error>;

#[derive(Deserialize)]
struct CrossCase {
    id: String,
    species: String,
    seed_s_alleles: String,
    pollen_s_alleles: String,
    verdict: String,
    compatible_alleles: String,
    progeny_shares: String,
}

fn cross(case: &CrossCase, failures: &mut Failures) -> Result<(), Anything> {
    let name = format!("cross {}", case.id);
    let species: Species = case.species.parse()?;
    let genotype = |names: &str| -> Result<SGenotype, Anything> {
        let names: Vec<String> = serde_json::from_str(names)?;
        Ok(SGenotype::from_names(species, names)?)
    };
    let outcome = judge(
        &genotype(&case.seed_s_alleles)?,
        &genotype(&case.pollen_s_alleles)?,
    );
    failures.equal(
        &name,
        "verdict",
        outcome.verdict.to_string(),
        case.verdict.clone(),
    );

    let alleles: BTreeSet<String> = serde_json::from_str(&case.compatible_alleles)?;
    let accepted = outcome.compatible_alleles.iter().cloned().collect();
    failures.equal(&name, "compatible alleles", accepted, alleles);

    let expected: BTreeMap<String, Share> = serde_json::from_str(&case.progeny_shares)?;
    let progeny: BTreeMap<String, Share> = outcome.progeny.into_iter().collect();
    failures.equal(&name, "progeny", progeny, expected);
    Ok(())
}

#[derive(Deserialize)]
struct WideCase {
    id: String,
    seed_species: String,
    seed_s_alleles: String,
    pollen_species: String,
    pollen_s_alleles: String,
    verdict: String,
    accepted_pollen: String,
}

/// Polyploids and crosses of species.
fn wide_cross(case: &WideCase, failures: &mut Failures) -> Result<(), Anything> {
    let name = format!("wide cross {}", case.id);
    let genotype = |species: &str, names: &str| -> Result<SGenotype, Anything> {
        let names: Vec<String> = serde_json::from_str(names)?;
        Ok(SGenotype::from_names(species.parse::<Species>()?, names)?)
    };
    let outcome = judge(
        &genotype(&case.seed_species, &case.seed_s_alleles)?,
        &genotype(&case.pollen_species, &case.pollen_s_alleles)?,
    );
    let verdict = outcome.verdict.to_string();
    failures.equal(&name, "verdict", verdict, case.verdict.clone());
    let expected: Share = case.accepted_pollen.parse()?;
    failures.equal(
        &name,
        "accepted pollen",
        outcome.accepted_pollen,
        Some(expected),
    );
    Ok(())
}

#[derive(Deserialize)]
struct OddsCase {
    id: String,
    loci: String,
    probability: f64,
    share: String,
    plants_needed: Option<u64>,
}

#[derive(Deserialize)]
struct OddsLocus {
    locus: String,
    seed_parent: String,
    pollen_parent: String,
    wanted: Vec<String>,
}

fn odds(case: &OddsCase, failures: &mut Failures) -> Result<(), Anything> {
    let name = format!("odds {}", case.id);
    let loci: Vec<OddsLocus> = serde_json::from_str(&case.loci)?;
    let crosses: Vec<LocusCross> = loci
        .iter()
        .map(|l| LocusCross::parse(&l.locus, &l.seed_parent, &l.pollen_parent, &l.wanted))
        .collect::<Result<_, _>>()?;
    let share = unlinked_share(&crosses)?;
    failures.equal(&name, "share", share, case.share.parse()?);
    let needed = plants_needed(share.value(), case.probability)?;
    failures.equal(&name, "plants needed", needed, case.plants_needed);
    Ok(())
}

#[derive(Deserialize)]
struct CultivarCase {
    species: String,
    cultivar: String,
    s_allele_1: String,
    s_allele_2: String,
    incompat_group: String,
    self_compatible: String,
    source: String,
    note: String,
}

impl CultivarCase {
    fn genotype(&self) -> Result<SGenotype, Anything> {
        let species: Species = self.species.parse()?;
        Ok(SGenotype::from_names(
            species,
            [&self.s_allele_1, &self.s_allele_2],
        )?)
    }

    /// Whether the row itself says that something outside the S locus makes its pollen pass.
    fn has_modifier(&self) -> bool {
        let said = format!("{} {}", self.note, self.source).to_lowercase();
        ["m0", "modifier", "override"]
            .iter()
            .any(|word| said.contains(word))
    }

    /// A group named after its genotype, as in `SaSb` or `SbSc group`.
    fn group_as_genotype(&self) -> Option<SGenotype> {
        let named = self.incompat_group.trim_end_matches(" group").trim();
        let species: Species = self.species.parse().ok()?;
        let two_alleles = named.matches('S').count() == 2 && named.starts_with('S');
        two_alleles
            .then(|| SGenotype::parse(species, named).ok())
            .flatten()
    }
}

fn cultivar(case: &CultivarCase, failures: &mut Failures) -> Result<(), Anything> {
    let plant = case.genotype()?;
    let name = format!("{} {}", case.species, case.cultivar);
    let accepts_own = |plant: &SGenotype| {
        matches!(
            self_compatibility(plant),
            SelfCompatibility::Yes | SelfCompatibility::Expected
        )
    };
    let stated = case.self_compatible == "yes";
    let by_s_alleles = accepts_own(&plant);
    if stated && !by_s_alleles && case.has_modifier() {
        let modified = plant.clone().with_pollen_modifier(1);
        failures.equal(
            &name,
            "self-compatible with a modifier",
            accepts_own(&modified),
            true,
        );
    } else {
        failures.equal(&name, "self-compatible", by_s_alleles, stated);
    }

    let is_roman = |group: &str| !group.is_empty() && group.chars().all(|c| "IVXL".contains(c));
    match case.incompat_group.as_str() {
        "" => {}
        "SC" => failures.equal(&name, "in group SC", stated, true),
        group if is_roman(group) => {
            let found = incompatibility_group(&plant);
            failures.equal(&name, "group", found, Some(group.to_owned()));
        }
        _ => {
            if let Some(of_group) = case.group_as_genotype() {
                let there = judge(&plant, &of_group).verdict;
                failures.equal(&name, "verdict with its own group", there, Verdict::None);
            }
        }
    }
    Ok(())
}

/// Members of one stated group set no fruit with each other; self-incompatible members of two
/// groups do.
fn groups(cases: &[CultivarCase], failures: &mut Failures) -> usize {
    let members: Vec<(&CultivarCase, SGenotype)> = cases
        .iter()
        .filter(|case| !["", "SC"].contains(&case.incompat_group.as_str()))
        .filter_map(|case| Some((case, case.genotype().ok()?)))
        .collect();
    let mut compared = 0;
    for (place, (x, of_x)) in members.iter().enumerate() {
        for (y, of_y) in members[place + 1..]
            .iter()
            .filter(|(y, _)| y.species == x.species)
        {
            let same_group = x.incompat_group == y.incompat_group;
            let barren = judge(of_x, of_y).verdict == Verdict::None;
            let pair = format!("{} {} × {}", x.species, x.cultivar, y.cultivar);
            failures.equal(&pair, "incompatible", barren, same_group);
            compared += 1;
        }
    }
    compared
}

#[derive(Deserialize)]
struct LocusCase {
    species: String,
    locus: String,
    dominant_phenotype: String,
    recessive_phenotype: String,
    mode: String,
    linkage_group: String,
    confidence: String,
}

/// The catalogue's locus for a row: by the whole name, or its first symbol.
fn locus_of(case: &LocusCase) -> Option<&'static Locus> {
    let species: Species = case.species.parse().ok()?;
    let first_word = case.locus.split_whitespace().next().unwrap_or_default();
    let symbol = first_word.split('/').next().unwrap_or_default();
    [case.locus.as_str(), first_word, symbol]
        .into_iter()
        .find_map(|name| catalogue::find(species, name))
}

/// Letters and digits only, so that spellings such as `30 °C` and `30 C` compare.
fn plain(text: &str) -> String {
    text.chars()
        .filter(char::is_ascii_alphanumeric)
        .collect::<String>()
        .to_lowercase()
}

/// Phenotypes given with a genotype in parentheses, as in `yellow (yy)`.
fn stated_phenotypes(text: &str) -> Vec<(&str, GenotypePattern)> {
    text.split(';')
        .filter_map(|part| {
            let (shown, rest) = part.split_once('(')?;
            let pattern = GenotypePattern::parse(rest.split_once(')')?.0).ok()?;
            Some((shown.trim(), pattern))
        })
        .collect()
}

/// Numbers compared for one row of the catalogue of loci.
fn locus(case: &LocusCase, failures: &mut Failures) -> Result<usize, Anything> {
    let name = format!("{} {}", case.species, case.locus);
    if case.mode.contains("gametophytic") {
        // The incompatibility locus is answered by S genotypes, not by dominance.
        let heterozygous = SGenotype::from_names(Species::Avium, ["S1", "S2"])?;
        failures.equal(
            &name,
            "verdict",
            judge(&heterozygous, &heterozygous).verdict,
            Verdict::None,
        );
        return Ok(1);
    }
    let mut compared = 0;
    if let Some((dominant, recessive)) = case.locus.split_whitespace().next().and_then(|symbols| {
        let (dominant, recessive) = symbols.split_once('/')?;
        dominant
            .eq_ignore_ascii_case(recessive)
            .then_some((dominant, recessive))
    }) {
        let both = format!("{dominant}{recessive}");
        let twice = format!("{recessive}{recessive}");
        let selfed = LocusCross::parse(&case.locus, &both, &both, [&twice])?;
        failures.equal(&name, "share of recessives", selfed.share(), "1/4".parse()?);
        compared += 1;
    }
    let Some(known) = locus_of(case) else {
        return if compared > 0 {
            Ok(compared)
        } else {
            Err("nothing is known of this locus".into())
        };
    };
    if let Ok(group) = case.linkage_group.parse() {
        failures.equal(&name, "linkage group", known.linkage_group, Some(group));
        compared += 1;
    }
    let confidence = match case.confidence.as_str() {
        "high" => Confidence::High,
        _ => Confidence::Medium,
    };
    failures.equal(&name, "confidence", known.confidence, confidence);
    let incomplete = known.dominance == Dominance::Incomplete;
    let lethal = case.mode.contains("lethal");
    failures.equal(
        &name,
        "incomplete dominance",
        incomplete,
        case.mode.contains("incomplete") || lethal,
    );
    failures.equal(
        &name,
        "lethal genotypes",
        !known.inviable.is_empty(),
        lethal,
    );
    compared += 3;

    let stated = [&case.dominant_phenotype, &case.recessive_phenotype]
        .into_iter()
        .flat_map(|text| stated_phenotypes(text));
    for (shown, pattern) in stated {
        for genotype in known.genotypes().iter().filter(|g| pattern.matches(g)) {
            let ours = known.phenotype(genotype).unwrap_or("nothing");
            if !plain(shown).contains(&plain(ours)) {
                failures.add(&name, format!("{genotype} shows {ours}, expected {shown}"));
            }
            compared += 1;
        }
    }
    for x in known.genotypes() {
        for y in known.genotypes() {
            let expected = known.expected_phenotypes(&x, &y, LethalModel::Inviable);
            let sum = expected
                .phenotypes
                .iter()
                .try_fold(Share::ZERO, |sum, &(_, s)| sum.plus(s))?;
            let living = if expected.lost == Share::ONE {
                Share::ZERO
            } else {
                Share::ONE
            };
            failures.equal(&name, "sum over phenotypes", sum, living);
            compared += 1;
        }
    }
    Ok(compared)
}

#[test]
fn outside_compatibility() {
    let mut failures = Failures::default();

    // Another folder of cases may lack it.
    let wide: Vec<WideCase> = match read_further_case_file("prunus/beyond_diploids.csv") {
        Some(_) => rows("prunus/beyond_diploids.csv"),
        None => Vec::new(),
    };
    for case in &wide {
        failures.run(&format!("wide cross {}", case.id), |failures| {
            wide_cross(case, failures)
        });
    }
    println!(
        "outside_compatibility: {} crosses beyond diploids",
        wide.len()
    );

    let crosses: Vec<CrossCase> = rows("prunus/compatibility.csv");
    for case in &crosses {
        failures.run(&format!("cross {}", case.id), |failures| {
            cross(case, failures)
        });
    }
    let odds_cases: Vec<OddsCase> = rows("prunus/progeny_odds.csv");
    for case in &odds_cases {
        failures.run(&format!("odds {}", case.id), |failures| {
            odds(case, failures)
        });
    }
    let cultivars: Vec<CultivarCase> = rows("prunus/s_genotypes.csv");
    for case in &cultivars {
        failures.run(&case.cultivar, |failures| cultivar(case, failures));
    }
    let pairs = groups(&cultivars, &mut failures);
    let loci: Vec<LocusCase> = rows("prunus/loci.csv");
    let mut facts = 0;
    for case in &loci {
        match locus(case, &mut failures) {
            Ok(compared) => facts += compared,
            Err(error) => failures.add(&case.locus, error),
        }
    }

    println!(
        "outside_compatibility: {} crosses, {} progeny odds, {} cultivars ({pairs} pairs by group), \
         {} loci ({facts} facts)",
        crosses.len(),
        odds_cases.len(),
        cultivars.len(),
        loci.len()
    );
    let failures = failures.0;
    assert!(
        failures.is_empty(),
        "{} failures:\n{}",
        failures.len(),
        failures.join("\n")
    );
}
