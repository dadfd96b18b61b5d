//! Chill, heat, day length, hourly temperatures and bloom overlap against values from the
//! literature and from independent programs.

use outside_checks::read_case_file;
use phenology::chill::{ChillModel, total_chill, utah_weight};
use phenology::daylength::{
    Latitude, day_length_calendar_h, day_length_cbm_h, day_length_spencer_h,
};
use phenology::heat::{HeatModel, SequentialNeed, gdh_c, need_met, total_heat};
use phenology::hourly::{SolarDay, linvill_hours};
use phenology::overlap::{BloomWindow, affinity, augspurger, jaccard, schoener};
use phenology::pollen::effective_pollination_days;
use phenology::temperature::Celsius;
use serde::Deserialize;
use std::collections::HashMap;
use std::f64::consts::PI;

type Outcome<T> = Result<T, String>;

#[test]
fn outside_phenology() {
    let mut tally = Tally::default();
    check_cases(&mut tally);
    check_series_by_model(&mut tally);
    check_points(&mut tally);
    tally.report();
}

/// Cases compared so far, and what went wrong in any.
#[derive(Default)]
struct Tally {
    cases_n: usize,
    failures: Vec<String>,
}

impl Tally {
    fn case(&mut self, id: &str, outcome: Outcome<()>) {
        self.cases_n += 1;
        if let Err(why) = outcome {
            self.failures.push(format!("{id}: {why}"));
        }
    }

    fn report(self) {
        println!("outside_phenology: {} cases compared", self.cases_n);
        assert!(self.cases_n > 0, "no cases were found");
        assert!(
            self.failures.is_empty(),
            "{} of {} cases failed:\n{}",
            self.failures.len(),
            self.cases_n,
            self.failures.join("\n")
        );
    }
}

fn rows(file: &str) -> Vec<HashMap<String, String>> {
    let text = read_case_file(file);
    csv::Reader::from_reader(text.as_bytes())
        .deserialize()
        .enumerate()
        .map(|(i, row)| row.unwrap_or_else(|e| panic!("{file}, row {}: {e}", i + 1)))
        .collect()
}

fn field<'a>(row: &'a HashMap<String, String>, name: &str) -> Outcome<&'a str> {
    row.get(name)
        .map(|v| v.trim())
        .ok_or_else(|| format!("column {name} is missing"))
}

fn number(text: &str) -> Outcome<f64> {
    text.trim()
        .parse()
        .map_err(|_| format!("{text:?} is not a number"))
}

fn whole(text: &str) -> Outcome<usize> {
    text.trim()
        .parse()
        .map_err(|_| format!("{text:?} is not a whole number"))
}

fn numbers(text: &str, separator: char) -> Outcome<Vec<f64>> {
    text.split(separator).map(number).collect()
}

fn temperatures(values: impl IntoIterator<Item = f64>) -> Outcome<Vec<Celsius>> {
    values
        .into_iter()
        .map(|v| Celsius::new(v).map_err(|e| e.to_string()))
        .collect()
}

fn close(seen: f64, expected: f64, tolerance: f64) -> Outcome<()> {
    if (seen - expected).abs() <= tolerance {
        Ok(())
    } else {
        Err(format!(
            "expected {expected} within {tolerance}, got {seen}"
        ))
    }
}

/// A model named in the case files: chill or heat.
fn amount(model: &str, hours: &[Celsius]) -> Outcome<f64> {
    if let Ok(chill) = model.parse::<ChillModel>() {
        return Ok(total_chill(chill, hours.iter().copied()));
    }
    let heat: HeatModel = model
        .parse()
        .map_err(|e| format!("neither chill nor heat: {e}"))?;
    Ok(total_heat(heat, hours.iter().copied()))
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Piece {
    Constant {
        constant_c: f64,
        hours: usize,
    },
    List {
        list_c: Vec<f64>,
        #[serde(default = "once")]
        times: usize,
    },
    Wave {
        mean_c: f64,
        amplitude_c: f64,
        hours: usize,
        warmest_hour: f64,
        #[serde(default)]
        drift_c_per_day: f64,
    },
}

fn once() -> usize {
    1
}

impl Piece {
    fn values(&self) -> Vec<f64> {
        match self {
            Self::Constant { constant_c, hours } => vec![*constant_c; *hours],
            Self::List { list_c, times } => list_c.repeat(*times),
            Self::Wave {
                mean_c,
                amplitude_c,
                hours,
                warmest_hour,
                drift_c_per_day,
            } => (0..*hours)
                .map(|h| {
                    let angle = 2.0 * PI * ((h % 24) as f64 - warmest_hour) / 24.0;
                    mean_c + drift_c_per_day * h as f64 / 24.0 + amplitude_c * angle.cos()
                })
                .collect(),
        }
    }
}

fn check_cases(tally: &mut Tally) {
    for row in rows("phenology/cases.csv") {
        let id = row.get("id").cloned().unwrap_or_default();
        tally.case(&id, check_case(&row));
    }
}

fn check_case(row: &HashMap<String, String>) -> Outcome<()> {
    let pieces: Vec<Piece> =
        serde_json::from_str(field(row, "series")?).map_err(|e| format!("series: {e}"))?;
    let hours = temperatures(pieces.iter().flat_map(Piece::values))?;
    let expected = number(field(row, "expected")?)?;
    let tolerance = number(field(row, "abs_tolerance")?)?
        + number(field(row, "rel_tolerance")?)? * expected.abs();
    close(amount(field(row, "model")?, &hours)?, expected, tolerance)
}

/// Columns of series_by_model.csv: the model that each holds and its tolerance.
const COLUMNS: [(&str, &str, f64); 10] = [
    ("ch_0_7.2_closed", "hours_0_7_2", 0.0),
    ("ch_below_7.2_strict", "hours_strictly_below_7_2", 0.0),
    ("utah_cu", "utah", 0.0),
    ("putah_hourly", "positive_utah", 0.0),
    ("putah_daily", "positive_utah_daily", 0.0),
    ("cp_all_hours", "dynamic", 1e-5),
    ("cp_skip_first", "dynamic_skip_first", 1e-5),
    ("gdh_asymcur_4_25_36", "gdh", 1e-5),
    ("gdh_linear_cap_4.5_25", "gdh_linear_held", 1e-5),
    ("gdh_linear_cutoff_4.5_25", "gdh_linear_cut", 1e-5),
];

/// Columns of series_by_model.csv that hold no model.
const DESCRIPTION: [&str; 6] = [
    "id",
    "generator",
    "description",
    "n_hours",
    "status",
    "note",
];

fn check_series_by_model(tally: &mut Tally) {
    for row in rows("phenology/series_by_model.csv") {
        let id = row.get("id").cloned().unwrap_or_default();
        let hours = field(&row, "generator")
            .and_then(generate)
            .and_then(temperatures);
        let hours = match hours {
            Ok(hours) => hours,
            Err(why) => {
                tally.case(&id, Err(why));
                continue;
            }
        };
        tally.case(
            &id,
            field(&row, "n_hours").and_then(whole).and_then(|n| {
                if n == hours.len() {
                    Ok(())
                } else {
                    Err(format!("{n} hours stated, {} made", hours.len()))
                }
            }),
        );
        for (column, expected) in row.iter().filter(|c| !DESCRIPTION.contains(&c.0.as_str())) {
            let outcome = COLUMNS
                .iter()
                .find(|c| c.0 == column)
                .ok_or_else(|| "no such model".to_owned())
                .and_then(|&(_, model, tolerance)| {
                    close(amount(model, &hours)?, number(expected)?, tolerance)
                });
            tally.case(&format!("{id} {column}"), outcome);
        }
    }
}

/// The hourly values of a one-line series.
fn generate(line: &str) -> Outcome<Vec<f64>> {
    let (kind, rest) = line
        .split_once(':')
        .ok_or_else(|| format!("series {line:?}"))?;
    let (main, repeats) = match (kind, rest.split_once('*')) {
        ("cycle", Some((main, repeats))) => (main, whole(repeats)?),
        _ => (rest, 1),
    };
    let arguments = || numbers(rest, ',');
    match kind {
        "const" => match arguments()?[..] {
            [t, n] => Ok(vec![t; n as usize]),
            _ => Err(format!("series {line:?}")),
        },
        "sine" => {
            let arguments = arguments()?;
            let (mean, amplitude, n, peak) = match arguments[..] {
                [mean, amplitude, n] => (mean, amplitude, n, 15.0),
                [mean, amplitude, n, peak] => (mean, amplitude, n, peak),
                _ => return Err(format!("series {line:?}")),
            };
            let value = |h: usize| mean + amplitude * (2.0 * PI * (h as f64 - peak) / 24.0).cos();
            Ok((0..n as usize).map(value).collect())
        }
        "list" => numbers(rest, ';'),
        "blocks" | "cycle" => {
            let mut once = Vec::new();
            for block in main.split(';') {
                let (t, n) = block
                    .split_once('x')
                    .ok_or_else(|| format!("block {block:?}"))?;
                once.extend(vec![number(t)?; whole(n)?]);
            }
            Ok(once.repeat(repeats))
        }
        "ramp" => match arguments()?[..] {
            [t0, step, n] => Ok((0..n as usize).map(|h| t0 + step * h as f64).collect()),
            _ => Err(format!("series {line:?}")),
        },
        "linvill" => {
            let (latitude, first, n, min, max, dmin, dmax) = match arguments()?[..] {
                [latitude, first, n, min, max] => (latitude, first, n, min, max, 0.0, 0.0),
                [latitude, first, n, min, max, dmin, dmax] => {
                    (latitude, first, n, min, max, dmin, dmax)
                }
                _ => return Err(format!("series {line:?}")),
            };
            let days: Vec<_> = (0..n as u32)
                .map(|i| {
                    let d = f64::from(i);
                    (first as u32 + i, min + dmin * d, max + dmax * d)
                })
                .collect();
            reconstruct(latitude, &days)
        }
        "lcg" => match arguments()?[..] {
            [seed, n, low10, high10] => {
                let (low, high) = (low10 as i64, high10 as i64);
                let mut x = seed as u64;
                Ok((0..n as usize)
                    .map(|_| {
                        x = (1_103_515_245 * x + 12_345) % (1 << 31);
                        (low + (x / 65_536) as i64 % (high - low + 1)) as f64 / 10.0
                    })
                    .collect())
            }
            _ => Err(format!("series {line:?}")),
        },
        "join" => {
            let parts: Outcome<Vec<_>> = rest.split('&').map(generate).collect();
            Ok(parts?.concat())
        }
        _ => Err(format!("kind of series {kind:?} is not known")),
    }
}

fn reconstruct(latitude: f64, days: &[(u32, f64, f64)]) -> Outcome<Vec<f64>> {
    let latitude = Latitude::new(latitude).map_err(|e| e.to_string())?;
    let days: Outcome<Vec<SolarDay>> = days
        .iter()
        .map(|&(day, min, max)| {
            let t = temperatures([min, max])?;
            SolarDay::new(day, t[0], t[1]).ok_or_else(|| format!("minimum {min} above {max}"))
        })
        .collect();
    Ok(linvill_hours(&days?, latitude)
        .iter()
        .map(|t| t.value_c())
        .collect())
}

fn check_points(tally: &mut Tally) {
    for row in rows("phenology/points.csv") {
        let id = row.get("id").cloned().unwrap_or_default();
        tally.case(&id, check_point(&row));
    }
}

fn check_point(row: &HashMap<String, String>) -> Outcome<()> {
    let seen = answer(field(row, "what")?, field(row, "inputs")?)?;
    let expected: Outcome<Vec<Option<f64>>> = field(row, "expected")?
        .split(';')
        .map(|v| {
            if v.trim() == "None" {
                Ok(None)
            } else {
                number(v).map(Some)
            }
        })
        .collect();
    let (expected, stated) = (expected?, number(field(row, "abs_tol")?)?);
    if seen.len() != expected.len() {
        return Err(format!(
            "{} values expected, got {}",
            expected.len(),
            seen.len()
        ));
    }
    seen.iter()
        .zip(&expected)
        .enumerate()
        .try_for_each(|(i, pair)| match pair {
            (Some(seen), Some(expected)) => {
                // Values are printed to a limited number of digits, so a tolerance of 0 means equal.
                close(*seen, *expected, stated).map_err(|e| format!("value {i}: {e}"))
            }
            (None, None) => Ok(()),
            (seen, expected) => Err(format!("value {i}: expected {expected:?}, got {seen:?}")),
        })
}

/// `key=value` pairs, separated by blanks.
fn keyed<'a>(inputs: &'a str, key: &str) -> Outcome<&'a str> {
    inputs
        .split_whitespace()
        .find_map(|pair| {
            pair.split_once('=')
                .filter(|p| p.0.eq_ignore_ascii_case(key))
        })
        .map(|p| p.1)
        .ok_or_else(|| format!("{key} is missing in {inputs:?}"))
}

fn one(value: f64) -> Outcome<Vec<Option<f64>>> {
    Ok(vec![Some(value)])
}

fn answer(what: &str, inputs: &str) -> Outcome<Vec<Option<f64>>> {
    let key = |name: &str| keyed(inputs, name).and_then(number);
    let temperature = || key("T").and_then(|t| Celsius::new(t).map_err(|e| e.to_string()));
    let latitude = || key("lat").and_then(|l| Latitude::new(l).map_err(|e| e.to_string()));
    let topic = what.to_lowercase();
    if topic.starts_with("asymcur heat") {
        one(gdh_c(temperature()?))
    } else if topic.starts_with("utah weight") {
        one(utah_weight(temperature()?))
    } else if topic.starts_with("day length, spencer") {
        let horizon = topic
            .split_once("sun at ")
            .and_then(|s| s.1.split_whitespace().next())
            .ok_or("no height of the sun is stated")?;
        one(day_length_spencer_h(
            latitude()?,
            key("doy")? as u32,
            number(horizon)?,
        ))
    } else if topic.starts_with("day length, cbm") {
        let below = number(topic.split_once("p=").ok_or("p is not stated")?.1)?;
        one(day_length_cbm_h(latitude()?, key("doy")? as u32, below))
    } else if topic.starts_with("day length printed with linvill") {
        one(day_length_calendar_h(
            latitude()?,
            key("month")? as u8,
            key("day")? as u8,
        ))
    } else if topic.starts_with("hourly curve") {
        hourly_curve(inputs)
    } else if topic.starts_with("augspurger") {
        let plants: Outcome<Vec<_>> = inputs
            .trim_start_matches("rows")
            .split('/')
            .map(presence)
            .collect();
        let synchrony = augspurger(&plants?).map_err(|e| e.to_string())?;
        Ok(synchrony.into_iter().map(Some).collect())
    } else if topic.starts_with("jaccard") {
        let (a, b) = versus(inputs)?;
        one(jaccard(&presence(a)?, &presence(b)?).map_err(|e| e.to_string())?)
    } else if topic.starts_with("overlap days") {
        let (seed, pollen) = (window(inputs, "seed")?, window(inputs, "pollen")?);
        Ok(vec![
            Some(f64::from(seed.shared_days_n(&pollen))),
            Some(seed.share_covered_by(&pollen)),
            Some(seed.jaccard(&pollen)),
        ])
    } else if topic.starts_with("affinity") {
        let (a, b) = versus(inputs)?;
        let counts = |text: &str| numbers(text.trim().trim_matches(['[', ']']), ',');
        let (a, b) = (counts(a)?, counts(b)?);
        let both = affinity(&a, &b).and_then(|x| Ok([x, schoener(&a, &b)?]));
        Ok(both.map_err(|e| e.to_string())?.map(Some).to_vec())
    } else if topic.starts_with("effective pollination period") {
        one(effective_pollination_days(
            key("ovule")?,
            key("tube")?,
            key("stigma")?,
        ))
    } else if topic.starts_with("sequential chill-then-heat") {
        sequential(inputs)
    } else {
        Err(format!("{what:?} is not answered"))
    }
}

fn versus(inputs: &str) -> Outcome<(&str, &str)> {
    inputs
        .split_once(" vs ")
        .ok_or_else(|| format!("two sides expected in {inputs:?}"))
}

fn presence(row: &str) -> Outcome<Vec<bool>> {
    row.trim()
        .chars()
        .map(|c| match c {
            '0' => Ok(false),
            '1' => Ok(true),
            _ => Err(format!("{c:?} in {row:?} is neither 0 nor 1")),
        })
        .collect()
}

/// A bloom window from day numbers of one year, as `seed 80-92`.
fn window(inputs: &str, role: &str) -> Outcome<BloomWindow> {
    let mut words = inputs.split_whitespace().skip_while(|w| *w != role).skip(1);
    let days = words.next().ok_or_else(|| format!("{role} is missing"))?;
    let (first, last) = days
        .split_once('-')
        .ok_or_else(|| format!("days {days:?}"))?;
    let date = |day: &str| {
        let day = i64::try_from(whole(day)?).map_err(|e| e.to_string())?;
        jiff::civil::date(2001, 1, 1)
            .checked_add(jiff::Span::new().days(day - 1))
            .map_err(|e| e.to_string())
    };
    BloomWindow::new(date(first)?, date(last)?).map_err(|e| e.to_string())
}

/// The middle day of those given.
fn hourly_curve(inputs: &str) -> Outcome<Vec<Option<f64>>> {
    let list = |key| keyed(inputs, key).and_then(|v| numbers(v, ','));
    let (days, min, max) = (list("doy")?, list("Tmin")?, list("Tmax")?);
    let days: Vec<_> = days
        .iter()
        .zip(&min)
        .zip(&max)
        .map(|((&d, &lo), &hi)| (d as u32, lo, hi))
        .collect();
    let hours = reconstruct(number(keyed(inputs, "lat")?)?, &days)?;
    let middle = hours.chunks(24).nth(days.len() / 2).ok_or("no days")?;
    Ok(middle.iter().copied().map(Some).collect())
}

fn sequential(inputs: &str) -> Outcome<Vec<Option<f64>>> {
    let series = inputs.split_whitespace().next().ok_or("no series")?;
    let unit_after = |key: &str| {
        inputs
            .split_whitespace()
            .skip_while(|w| !w.starts_with(key))
            .nth(1)
            .unwrap_or_default()
    };
    let chill_model = match unit_after("chill=") {
        "CP" => ChillModel::Dynamic,
        "CH" => ChillModel::Hours0To7_2,
        "CU" => ChillModel::Utah,
        "PCU" => ChillModel::PositiveUtah,
        unit => return Err(format!("chill unit {unit:?} is not known")),
    };
    if unit_after("heat=") != "GDH" {
        return Err(format!("heat unit {:?} is not known", unit_after("heat=")));
    }
    let need = SequentialNeed {
        chill_model,
        chill: number(keyed(inputs, "chill")?)?,
        heat_model: HeatModel::Curvilinear,
        heat_gdh: number(keyed(inputs, "heat")?)?,
    };
    let met = need_met(need, temperatures(generate(series)?)?);
    Ok([met.chill_hour, met.heat_hour]
        .map(|h| h.map(|h| h as f64))
        .to_vec())
}
