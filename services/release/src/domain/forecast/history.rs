//! What the record up to a day says of stays at stages, decisions and new candidates.

use jiff::ToSpan as _;
use jiff::civil::Date;

use super::{STEPS_N, TICKS_A_YEAR};
use crate::domain::stage::Stage;
use crate::domain::words::KindOfCross;

/// One move on record, oldest first within its candidate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Move {
    /// Where to.
    pub to: Stage,
    /// When.
    pub on: Date,
    /// Whether it takes the one before back.
    pub reversal: bool,
}

/// One candidate's moves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Course {
    /// The cross it came from.
    pub cross: KindOfCross,
    /// Its moves, oldest first.
    pub moves: Vec<Move>,
}

/// How a stay ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Left {
    Advanced,
    Withdrawn,
    /// Not known to have ended: a censored time.
    Waiting,
}

/// A stay at a stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stay {
    pub step: usize,
    pub cross: KindOfCross,
    pub from: Date,
    pub until: Date,
    pub left: Left,
}

impl Stay {
    /// Its length in ticks.
    pub fn ticks(&self) -> f64 {
        let days = (self.until - self.from).get_days().max(0);
        f64::from(days) * f64::from(TICKS_A_YEAR) / 365.25
    }
}

/// What the record up to a day says.
#[derive(Debug, Clone)]
pub struct History {
    pub(super) as_of: Date,
    pub(super) stays: Vec<Stay>,
    first_on: Option<Date>,
    entries: Vec<(usize, KindOfCross, Date)>,
    released_on: Vec<Date>,
}

/// The step out of a stage; none out of the last.
pub(super) fn step_of(stage: Stage) -> Option<usize> {
    Stage::LADDER[..STEPS_N].iter().position(|s| *s == stage)
}

impl History {
    /// Reads each candidate's moves up to a day. What came later is not looked at.
    pub fn read(courses: &[Course], as_of: Date) -> Self {
        let mut history = Self {
            as_of,
            first_on: None,
            stays: Vec::new(),
            entries: Vec::new(),
            released_on: Vec::new(),
        };
        for course in courses {
            history.read_one(course);
        }
        history
    }

    fn read_one(&mut self, course: &Course) {
        let mut stays: Vec<Stay> = Vec::new();
        let mut at: Option<(Stage, Date)> = None;
        let mut released: Vec<Date> = Vec::new();
        let stay = |step, from, until, left| Stay {
            step,
            cross: course.cross,
            from,
            until,
            left,
        };
        for made in course.moves.iter().filter(|made| made.on <= self.as_of) {
            match at {
                None => {
                    if let Some(step) = step_of(made.to) {
                        self.entries.push((step, course.cross, made.on));
                    }
                    self.first_on = Some(self.first_on.map_or(made.on, |on| on.min(made.on)));
                }
                Some((stage, since)) => {
                    if made.reversal {
                        // The decision taken back counts as never made: the stay goes on.
                        if stage == Stage::Released {
                            released.pop();
                        }
                        if let Some(last) = stays.last()
                            && Some(last.step) == step_of(made.to)
                        {
                            let since = last.from;
                            stays.pop();
                            at = Some((made.to, since));
                            continue;
                        }
                    } else if let Some(step) = step_of(stage) {
                        let left = if made.to == Stage::Withdrawn {
                            Left::Withdrawn
                        } else {
                            Left::Advanced
                        };
                        stays.push(stay(step, since, made.on, left));
                    }
                }
            }
            if made.to == Stage::Released {
                released.push(made.on);
            }
            at = Some((made.to, made.on));
        }
        if let Some((stage, since)) = at
            && let Some(step) = step_of(stage)
        {
            stays.push(stay(step, since, self.as_of, Left::Waiting));
        }
        self.stays.extend(stays);
        self.released_on.extend(released);
    }

    /// Stays that ended so at a step, of one kind of cross or all.
    pub(super) fn counted(&self, step: usize, cross: Option<KindOfCross>, left: Left) -> u32 {
        let n = self
            .stays
            .iter()
            .filter(|s| s.step == step && s.left == left && cross.is_none_or(|c| c == s.cross))
            .count();
        u32::try_from(n).unwrap_or(u32::MAX)
    }

    /// Decisions on record.
    pub fn decisions_n(&self) -> u32 {
        (0..STEPS_N)
            .flat_map(|step| {
                [Left::Advanced, Left::Withdrawn].map(|left| self.counted(step, None, left))
            })
            .sum()
    }

    /// Candidates that stand released.
    pub fn released_n(&self) -> u32 {
        u32::try_from(self.released_on.len()).unwrap_or(u32::MAX)
    }

    /// Releases after one day and up to another.
    pub(super) fn released_between(&self, after: Date, until: Date) -> u32 {
        let within = |on: &&Date| after < **on && **on <= until;
        u32::try_from(self.released_on.iter().filter(within).count()).unwrap_or(u32::MAX)
    }

    /// Candidates that went on from a step after one day and up to another.
    pub(super) fn went_on_between(&self, step: usize, after: Date, until: Date) -> u32 {
        let n = self
            .stays
            .iter()
            .filter(|s| s.step == step && s.left == Left::Advanced)
            .filter(|s| after < s.until && s.until <= until)
            .count();
        u32::try_from(n).unwrap_or(u32::MAX)
    }

    /// New candidates at a step in each of the last years, the latest first; as many years as the
    /// record is long, at least one and at most `years_max`.
    pub(super) fn new_candidates(
        &self,
        step: usize,
        cross: KindOfCross,
        years_max: i64,
    ) -> Vec<f64> {
        let long = self
            .first_on
            .map_or(1, |first| i64::from((self.as_of - first).get_days()) / 365);
        (0..long.clamp(1, years_max))
            .map(|back| {
                let until = self.as_of.saturating_sub(back.years());
                let after = self.as_of.saturating_sub((back + 1).years());
                let n = self
                    .entries
                    .iter()
                    .filter(|(at, kind, on)| {
                        *at == step && *kind == cross && after < *on && *on <= until
                    })
                    .count();
                n as f64
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    fn course(moves: &[(Stage, Date, bool)]) -> Course {
        Course {
            cross: KindOfCross::WithinSpecies,
            moves: moves
                .iter()
                .map(|&(to, on, reversal)| Move { to, on, reversal })
                .collect(),
        }
    }

    #[test]
    fn a_move_taken_back_counts_as_never_made() {
        let straight = [(Stage::Budded, date(2010, 3, 1), false)];
        let back = [
            straight[0],
            (Stage::Withdrawn, date(2012, 3, 1), false),
            (Stage::Budded, date(2012, 5, 1), true),
        ];
        let of = |moves: &[_]| History::read(&[course(moves)], date(2015, 1, 1)).stays;
        assert_eq!(of(&straight), of(&back));
    }

    #[test]
    fn a_release_taken_back_is_no_release() {
        let moves = [
            (Stage::PreRelease, date(2010, 3, 1), false),
            (Stage::Released, date(2012, 3, 1), false),
            (Stage::PreRelease, date(2012, 5, 1), true),
        ];
        let history = History::read(&[course(&moves)], date(2015, 1, 1));
        assert_eq!(history.released_n(), 0);
        assert_eq!(history.stays[0].left, Left::Waiting);
    }

    #[test]
    fn what_comes_later_is_not_looked_at() {
        let moves = [
            (Stage::Budded, date(2010, 3, 1), false),
            (Stage::MultiSite, date(2014, 3, 1), false),
        ];
        let history = History::read(&[course(&moves)], date(2013, 3, 1));
        assert_eq!(history.stays.len(), 1);
        assert_eq!(history.stays[0].left, Left::Waiting);
        assert!((history.stays[0].ticks() - 6.0).abs() < 0.02);
        assert_eq!(
            history.went_on_between(1, date(2010, 1, 1), date(2020, 1, 1)),
            0
        );
    }

    #[test]
    fn new_candidates_are_counted_by_year_back_from_the_day() {
        let courses: Vec<Course> = [2010, 2012, 2012]
            .map(|year| course(&[(Stage::OwnRoot, date(year, 3, 1), false)]))
            .into();
        let history = History::read(&courses, date(2013, 2, 1));
        let kind = KindOfCross::WithinSpecies;
        assert_eq!(history.new_candidates(0, kind, 8), [2.0, 0.0]);
        assert_eq!(history.new_candidates(1, kind, 8), [0.0, 0.0]);
    }
}
