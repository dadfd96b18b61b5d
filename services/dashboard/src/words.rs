//! How words, numbers and dates of the services are written for people.

use jiff::civil::Date;

/// A service's word as people write it: `multi_site` as multi-site, `plant_patent` as plant patent.
pub fn plain(word: &str) -> String {
    match word {
        "own_root" => "own-root".into(),
        "multi_site" => "multi-site".into(),
        "pre_release" => "pre-release".into(),
        "true_to_type" => "true to type".into(),
        _ => word.replace('_', " "),
    }
}

/// The same at the beginning of a line.
pub fn title(word: &str) -> String {
    let plain = plain(word);
    let mut letters = plain.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}

/// What a service says in one line as a sentence: with a capital letter and a full stop.
pub fn sentence(said: &str) -> String {
    let mut letters = said.chars();
    let capital = letters.next().map(char::to_uppercase).into_iter().flatten();
    let stop = if said.ends_with(['.', '?', '!']) {
        ""
    } else {
        "."
    };
    capital.chain(letters).chain(stop.chars()).collect()
}

/// A count with its thousands apart, as 175,000.
pub fn count(n: impl Into<u64>) -> String {
    let digits = n.into().to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A measure with as many decimals as its size deserves.
pub fn measure(x: f64) -> String {
    if !x.is_finite() {
        return "–".into();
    }
    let decimals = match x.abs() {
        a if a >= 100.0 => 0,
        a if a >= 10.0 => 1,
        a if a >= 1.0 || a == 0.0 => 2,
        _ => 3,
    };
    let text = format!("{x:.decimals$}");
    text.replace('-', "−")
}

/// A share of 0 to 1 in percent.
pub fn percent(share: f64) -> String {
    let percent = share * 100.0;
    if percent != 0.0 && percent.abs() < 10.0 {
        format!("{percent:.1} %")
    } else {
        format!("{percent:.0} %")
    }
}

/// A day as 14 Feb 2026; what is no day stays as it came.
pub fn day(text: &str) -> String {
    text.parse::<Date>()
        .map_or_else(|_| text.to_owned(), |d| d.strftime("%-d %b %Y").to_string())
}

/// An instant as 14 Feb 2026, 08:30 UTC; what is no instant stays as it came.
pub fn instant(text: &str) -> String {
    text.parse::<jiff::Timestamp>().map_or_else(
        |_| text.to_owned(),
        |at| at.strftime("%-d %b %Y, %H:%M UTC").to_string(),
    )
}

/// One of a thing or several of them: `some(2, "pass", "passes")`.
pub fn some(n: impl Into<u64>, one: &str, many: &str) -> String {
    let n = n.into();
    format!("{} {}", count(n), if n == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_for_people() {
        assert_eq!(count(7_u32), "7");
        assert_eq!(count(175_000_u32), "175,000");
        assert_eq!(count(1_234_567_u64), "1,234,567");
        assert_eq!(measure(-0.25), "−0.250");
        assert_eq!(measure(13.46), "13.5");
        assert_eq!(percent(0.034), "3.4 %");
        assert_eq!(percent(1.0), "100 %");
    }

    #[test]
    fn words_and_days_are_written_for_people() {
        assert_eq!(title("multi_site"), "Multi-site");
        assert_eq!(plain("plant_patent"), "plant patent");
        assert_eq!(day("2026-02-14"), "14 Feb 2026");
        assert_eq!(day("open"), "open");
        assert_eq!(instant("2026-02-14T08:30:12Z"), "14 Feb 2026, 08:30 UTC");
        assert_eq!(instant("never"), "never");
        assert_eq!(
            sentence("use Alba: it sets best"),
            "Use Alba: it sets best."
        );
        assert_eq!(sentence("Done."), "Done.");
        assert_eq!(some(1_u32, "pass", "passes"), "1 pass");
    }
}
