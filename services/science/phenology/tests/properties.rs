//! Properties that hold for any temperatures.

use phenology::chill::{ChillAccumulator, ChillModel, chill_account, total_chill};
use phenology::daylength::{APPARENT_HORIZON_DEG, Latitude, day_length_spencer_h};
use phenology::heat::{HeatModel, SequentialNeed, need_met, running_heat};
use phenology::hourly::{SolarDay, linvill_hours};
use phenology::overlap::{BloomWindow, affinity, augspurger, schoener};
use phenology::pollen::{
    FlowerYield, GerminationTest, LotViability, PollenUse, Storage, ViabilityCurve,
    effective_pollination_days, flowers_to_gather, relative_set_after,
};
use phenology::series::{Fill, HourlySeries};
use phenology::temperature::{Celsius, TemperatureUnit};
use proptest::prelude::*;

fn temperature() -> impl Strategy<Value = Celsius> {
    (-15.0..40.0f64).prop_map(|t| Celsius::new(t).unwrap())
}

fn temperatures() -> impl Strategy<Value = Vec<Celsius>> {
    prop::collection::vec(temperature(), 1..400)
}

fn any_model() -> impl Strategy<Value = ChillModel> {
    prop::sample::select(ChillModel::ALL.to_vec())
}

/// Models in which no hour takes chill away.
const NEVER_FALLING: [ChillModel; 6] = [
    ChillModel::Hours0To7_2,
    ChillModel::HoursBelow7_2,
    ChillModel::HoursStrictlyBelow7_2,
    ChillModel::PositiveUtah,
    ChillModel::Dynamic,
    ChillModel::DynamicSkipFirst,
];

fn storage() -> impl Strategy<Value = Storage> {
    prop::sample::select(vec![
        Storage::Room,
        Storage::Refrigerator,
        Storage::FreezerMinus20,
        Storage::FreezerMinus80,
    ])
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn running_totals_end_in_the_total(model in any_model(), hours in temperatures()) {
        let account = chill_account(model, &hours);
        prop_assert_eq!(account.running.len(), hours.len());
        prop_assert_eq!(account.running.last().copied(), Some(account.total));
        prop_assert_eq!(account.total, total_chill(model, hours));
    }

    #[test]
    fn some_counts_never_fall(hours in temperatures()) {
        for model in NEVER_FALLING {
            let running = chill_account(model, &hours).running;
            prop_assert!(running.windows(2).all(|w| w[0] <= w[1]), "{}", model);
            prop_assert!(running[0] >= 0.0);
        }
    }

    #[test]
    fn readings_of_one_model_are_ordered(hours in temperatures()) {
        let total = |model| total_chill(model, hours.iter().copied());
        prop_assert!(total(ChillModel::Hours0To7_2) <= total(ChillModel::HoursBelow7_2));
        prop_assert!(total(ChillModel::HoursStrictlyBelow7_2) <= total(ChillModel::HoursBelow7_2));
        prop_assert!(total(ChillModel::Utah) <= total(ChillModel::PositiveUtahDaily));
        prop_assert!(total(ChillModel::PositiveUtahDaily) <= total(ChillModel::PositiveUtah));
        prop_assert!(total(ChillModel::Utah) <= total(ChillModel::UtahSeasonPeakNegative));
    }

    #[test]
    fn a_stream_may_be_split_anywhere(
        model in any_model(),
        hours in temperatures(),
        at in any::<prop::sample::Index>(),
    ) {
        let (before, after) = hours.split_at(at.index(hours.len()));
        let mut first = ChillAccumulator::new(model);
        before.iter().for_each(|&t| { first.push(t); });
        let mut taken_up = first;
        after.iter().for_each(|&t| { taken_up.push(t); });
        prop_assert_eq!(taken_up.total(), total_chill(model, hours));
    }

    #[test]
    fn heat_is_bounded_and_never_falls(hours in temperatures()) {
        for model in HeatModel::ALL {
            prop_assert!(hours.iter().all(|&t| (0.0..=21.0).contains(&model.gdh_c(t))));
            prop_assert!(running_heat(model, &hours).windows(2).all(|w| w[0] <= w[1]));
        }
    }

    #[test]
    fn more_need_is_met_no_earlier(hours in temperatures(), chill in 1.0..50.0f64, heat in 1.0..500.0f64) {
        let met = |chill, heat_gdh| need_met(SequentialNeed {
            chill_model: ChillModel::Hours0To7_2,
            chill,
            heat_model: HeatModel::Curvilinear,
            heat_gdh,
        }, hours.iter().copied());
        let hour = |met: Option<usize>| met.unwrap_or(usize::MAX);
        let less = met(chill, heat);
        prop_assert!(hour(less.heat_hour) <= hour(met(chill + 5.0, heat).heat_hour));
        prop_assert!(hour(less.heat_hour) <= hour(met(chill, heat * 2.0).heat_hour));
        prop_assert!(hour(less.chill_hour) <= hour(less.heat_hour));
    }

    #[test]
    fn reconstructed_hours_stay_within_the_extremes(
        latitude in -65.0..65.0f64,
        first_day in 1u32..365,
        days in prop::collection::vec((-10.0..20.0f64, 0.0..20.0f64), 1..12),
    ) {
        let t = |v| Celsius::new(v).unwrap();
        let solar: Vec<SolarDay> = (first_day..)
            .zip(&days)
            .map(|(day, &(min, range))| SolarDay::new(day, t(min), t(min + range)).unwrap())
            .collect();
        let hours = linvill_hours(&solar, Latitude::new(latitude).unwrap());
        prop_assert_eq!(hours.len(), 24 * days.len());
        for (i, day) in hours.chunks(24).enumerate() {
            let around = &days[i.saturating_sub(1)..(i + 2).min(days.len())];
            let low = around.iter().map(|d| d.0).fold(f64::INFINITY, f64::min);
            let high = around.iter().map(|d| d.0 + d.1).fold(f64::NEG_INFINITY, f64::max);
            prop_assert!(day.iter().all(|h| (low - 1e-9..=high + 1e-9).contains(&h.value_c())));
        }
    }

    #[test]
    fn equal_days_stay_within_their_own_extremes(
        latitude in -60.0..60.0f64,
        day in 1u32..360,
        min in -10.0..15.0f64,
        range in 0.0..20.0f64,
    ) {
        let t = |v| Celsius::new(v).unwrap();
        let solar: Vec<SolarDay> =
            (0..3).map(|i| SolarDay::new(day + i, t(min), t(min + range)).unwrap()).collect();
        let hours = linvill_hours(&solar, Latitude::new(latitude).unwrap());
        prop_assert!(hours.iter().all(|h| (min - 1e-9..=min + range + 1e-9).contains(&h.value_c())));
    }

    #[test]
    fn day_lengths_of_the_hemispheres_are_mirrored(latitude in 0.0..60.0f64, day in 1u32..366) {
        let length = |l| day_length_spencer_h(Latitude::new(l).unwrap(), day, 0.0);
        prop_assert!((length(latitude) + length(-latitude) - 24.0).abs() < 1e-9);
        let apparent =
            day_length_spencer_h(Latitude::new(latitude).unwrap(), day, APPARENT_HORIZON_DEG);
        prop_assert!(apparent >= length(latitude));
    }

    #[test]
    fn filling_changes_only_missing_hours(
        hours in prop::collection::vec(prop::option::weighted(0.8, -5.0..20.0f64), 1..200),
        longest_h in 0usize..40,
        by_days in any::<bool>(),
    ) {
        let start = jiff::civil::date(2025, 11, 1).at(0, 0, 0, 0);
        let series = HourlySeries::from_hours(start, &hours, TemperatureUnit::Celsius).unwrap();
        let fill = if by_days {
            Fill::NeighbouringDays { longest_h }
        } else {
            Fill::StraightLine { longest_h }
        };
        let filled = series.clone().filled(fill);
        for (before, after) in series.hours().iter().zip(filled.hours()) {
            prop_assert!(before.is_none() || before == after);
        }
        let missing = |s: &HourlySeries| s.gaps().iter().map(|g| g.hours_n).sum::<usize>();
        prop_assert_eq!(missing(&series), missing(&filled) + filled.filled_n());
        prop_assert_eq!(filled.clone().complete().is_ok(), missing(&filled) == 0);
    }

    #[test]
    fn overlap_is_symmetric_and_bounded(a in 0i64..60, b in 0i64..60, la in 0i64..30, lb in 0i64..30) {
        let day = |n: i64| jiff::civil::date(2026, 2, 1).saturating_add(jiff::Span::new().days(n));
        let first = BloomWindow::new(day(a), day(a + la)).unwrap();
        let second = BloomWindow::new(day(b), day(b + lb)).unwrap();
        prop_assert_eq!(first.shared_days_n(&second), second.shared_days_n(&first));
        prop_assert!(first.jaccard(&second) <= first.share_covered_by(&second));
        prop_assert!((0.0..=1.0).contains(&first.share_covered_by(&second)));
        prop_assert_eq!(first.jaccard(&first), 1.0);
    }

    #[test]
    fn flower_overlap_is_bounded(counts in prop::collection::vec((0u32..50, 0u32..50), 1..20)) {
        let a: Vec<f64> = counts.iter().map(|c| f64::from(c.0) + 0.5).collect();
        let b: Vec<f64> = counts.iter().map(|c| f64::from(c.1) + 0.5).collect();
        let (close, shared) = (affinity(&a, &b).unwrap(), schoener(&a, &b).unwrap());
        prop_assert!(shared <= close + 1e-12 && close <= 1.0 + 1e-12 && shared > 0.0);
        prop_assert!((affinity(&a, &a).unwrap() - 1.0).abs() < 1e-12);
        let rows: Vec<Vec<bool>> = [&a, &b].map(|r| r.iter().map(|c| *c > 0.0).collect()).to_vec();
        prop_assert_eq!(augspurger(&rows).unwrap(), vec![1.0, 1.0]);
    }

    #[test]
    fn pollen_only_ages_and_tests_only_count(
        storage in storage(),
        days in 0.0..500.0f64,
        counted in 1u32..400,
        share in 0.0..=1.0f64,
    ) {
        let lot = LotViability::fresh(ViabilityCurve::default()).kept(storage, days);
        let fresh = LotViability::fresh(ViabilityCurve::default());
        prop_assert!(lot.expected().share <= fresh.expected().share);
        let half = fresh.kept(storage, days / 2.0).kept(storage, days / 2.0);
        prop_assert!((half.expected().share - lot.expected().share).abs() < 1e-9);
        let germinated = (share * f64::from(counted)).round() as u32;
        let tested = lot.tested(GerminationTest::new(germinated, counted).unwrap()).expected();
        let rate = f64::from(germinated) / f64::from(counted);
        let before = lot.expected().share;
        prop_assert!((tested.share - rate).abs() <= (before - rate).abs() + 1e-12);
        prop_assert!(tested.low <= tested.share && tested.share <= tested.high);
    }

    #[test]
    fn more_flowers_need_no_fewer_flowers(n in 0u32..5000, more in 1u32..500, alive in 0.1..=1.0f64) {
        let gather = |n| {
            flowers_to_gather(n, alive, 0.0, FlowerYield::default(), PollenUse::default())
                .unwrap()
                .balloon_flowers_n
        };
        prop_assert!(gather(n) <= gather(n + more));
        prop_assert!(gather(n + more) > 0);
    }

    #[test]
    fn pollination_periods_are_bounded(ovule in 0.0..15.0f64, tube in 0.0..15.0f64, stigma in 0.0..15.0f64) {
        let period = effective_pollination_days(ovule, tube, stigma);
        prop_assert!(period >= 0.0 && period <= stigma && period <= ovule);
        prop_assert!(relative_set_after(tube + 0.5) <= relative_set_after(tube));
    }
}
