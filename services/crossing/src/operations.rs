//! Every operation of this service: address, permission and use case.

use contract::common::{BatchReply, Document, FeedPage, ReadFeedRequest};
use contract::crossing::*;

use crate::{CrossingApp, app};

platform::operations! {
    app: CrossingApp,
    service: "crossing", root: "/api/crossing/v1",
    grpc: contract::crossing::crossing_server::Crossing,

    /// Register a variety, selection, seedling or wild plant.
    POST "/germplasm" register_germplasm(RegisterGermplasmRequest) -> Germplasm,
        may WriteGermplasm, Create => app::germplasm::register;

    /// List germplasm by name, kind and species.
    GET "/germplasm" list_germplasm(ListGermplasmRequest) -> GermplasmList,
        may ReadProgramme, Read => app::germplasm::list;

    /// One plant of the germplasm.
    GET "/germplasm/{germplasm_id}" get_germplasm(GetGermplasmRequest) -> Germplasm,
        may ReadProgramme, Read => app::germplasm::get;

    /// Replace what is known of a plant.
    PUT "/germplasm/{germplasm_id}" edit_germplasm(EditGermplasmRequest) -> Germplasm,
        may WriteGermplasm, Edit => app::germplasm::edit;

    /// A plant with its ancestors and their inbreeding.
    GET "/germplasm/{germplasm_id}/pedigree" get_pedigree(PedigreeRequest) -> PedigreeNode,
        may ReadProgramme, Read => app::pedigree::tree;

    /// Ancestors of a plant, each once, the nearest first, to any depth.
    GET "/germplasm/{germplasm_id}/ancestors" list_ancestors(RelativesRequest) -> RelativeList,
        may ReadProgramme, Read => app::relatives::ancestors;

    /// Descendants of a plant, seedlings among them, each once, the nearest first, to any depth.
    GET "/germplasm/{germplasm_id}/descendants" list_descendants(RelativesRequest) -> RelativeList,
        may ReadProgramme, Read => app::relatives::descendants;

    /// The founders of a plant with what each is expected to have contributed.
    GET "/germplasm/{germplasm_id}/founders" get_founders(FoundersRequest) -> FounderContributions,
        may ReadProgramme, Read => app::pedigree::founders;

    /// Coancestry of every pair of some plants.
    POST "/kinship" compute_kinship(KinshipRequest) -> KinshipReply,
        may ReadProgramme, Read => app::pedigree::kinship;

    /// Whether a pollen is accepted, and the S genotypes of the seedlings.
    POST "/compatibility" judge_compatibility(CompatibilityRequest) -> CompatibilityReply,
        may ReadProgramme, Read => app::genetics::compatibility;

    /// The share of wanted seedlings and the plants and flowers that a wish asks for.
    POST "/progeny-odds" compute_progeny_odds(ProgenyOddsRequest) -> ProgenyOddsReply,
        may ReadProgramme, Read => app::genetics::progeny_odds;

    /// Winter chill of a temperature series.
    POST "/chill" compute_chill(ChillRequest) -> ChillReply,
        may ReadProgramme, Read => app::winter::chill;

    /// Growing degree hours of a temperature series.
    POST "/heat" compute_heat(HeatRequest) -> HeatReply,
        may ReadProgramme, Read => app::winter::heat;

    /// The species that can be registered.
    GET "/species" list_species(ListSpeciesRequest) -> SpeciesList,
        may ReadProgramme, Read => app::genetics::species;

    /// The loci described in a species.
    GET "/loci" list_loci(ListLociRequest) -> LocusList,
        may ReadProgramme, Read => app::genetics::loci;

    /// What is known of plants, be they germplasm or numbered seedlings.
    POST "/plants:describe" describe_plants(DescribePlantsRequest) -> PlantDescriptions,
        may ReadProgramme, Read => app::plants::describe;

    /// The parents of plants and of all their ancestors, parents before offspring.
    POST "/pedigree-extract" extract_pedigree(ExtractPedigreeRequest) -> PedigreeExtract,
        may ReadProgramme, Read => app::pedigree::extract;

    /// What carries a number, typed with or without its check character.
    GET "/numbers/{number}" find_number(FindNumberRequest) -> NumberedThing,
        may ReadProgramme, Read => app::plants::find_number;

    /// Open a crossing season.
    POST "/seasons" open_season(OpenSeasonRequest) -> Season,
        may PlanCrosses, Create => app::seasons::open;

    /// List the seasons.
    GET "/seasons" list_seasons(ListSeasonsRequest) -> SeasonList,
        may ReadProgramme, Read => app::seasons::list;

    /// What each season came to.
    GET "/season-summaries" summarise_seasons(SummariseSeasonsRequest) -> SeasonSummaries,
        may ReadProgramme, Read => app::seasons::summarise;

    /// Note how far a variety's bloom is.
    POST "/bloom-records" record_bloom(RecordBloomRequest) -> BloomRecord,
        may WorkBloom, Create => app::bloom::record;

    /// List notes of bloom.
    GET "/bloom-records" list_bloom_records(ListBloomRecordsRequest) -> BloomRecordList,
        may ReadProgramme, Read => app::bloom::list;

    /// Plan a cross and be advised on it.
    POST "/crosses" plan_cross(PlanCrossRequest) -> Cross,
        may PlanCrosses, Create => app::crosses::plan;

    /// The advice on a cross without planning it.
    POST "/cross-advice" advise_cross(AdviseCrossRequest) -> CrossAdvice,
        may ReadProgramme, Read => app::crosses::advise;

    /// List crosses.
    GET "/crosses" list_crosses(ListCrossesRequest) -> CrossList,
        may ReadProgramme, Read => app::crosses::list;

    /// One cross with its counts, its warnings and the doubt on its seedlings.
    GET "/crosses/{cross_id}" get_cross(GetCrossRequest) -> Cross,
        may ReadProgramme, Read => app::crosses::get;

    /// Change a cross's objective, wanted fruit, mothers or standing.
    PUT "/crosses/{cross_id}" edit_cross(EditCrossRequest) -> Cross,
        may PlanCrosses, Edit => app::crosses::edit;

    /// Record a pollen lot as gathered.
    POST "/pollen-lots" gather_pollen(GatherPollenRequest) -> PollenLot,
        may WorkBloom, Create => app::pollen::gather;

    /// List pollen lots.
    GET "/pollen-lots" list_pollen_lots(ListPollenLotsRequest) -> PollenLotList,
        may ReadProgramme, Read => app::pollen::list;

    /// One pollen lot with its ledger.
    GET "/pollen-lots/{pollen_lot_id}" get_pollen_lot(GetPollenLotRequest) -> PollenLot,
        may ReadProgramme, Read => app::pollen::get;

    /// Record what became of a pollen lot.
    POST "/pollen-lots/{pollen_lot_id}/events" record_pollen_event(RecordPollenEventRequest) -> PollenLot,
        may WorkBloom, Create => app::pollen::record_event;

    /// Register a container-grown mother.
    POST "/mothers" register_mother(RegisterMotherRequest) -> Mother,
        may WorkBloom, Create => app::mothers::register;

    /// List mothers in walking order.
    GET "/mothers" list_mothers(ListMothersRequest) -> MotherList,
        may ReadProgramme, Read => app::mothers::list;

    /// One mother with what was done to her.
    GET "/mothers/{mother_id}" get_mother(GetMotherRequest) -> Mother,
        may ReadProgramme, Read => app::mothers::get;

    /// Record what was done to or seen on a mother.
    POST "/mothers/{mother_id}/events" record_mother_event(RecordMotherEventRequest) -> Mother,
        may WorkBloom, Create => app::mothers::record_event;

    /// Record a pass over a cross's mother.
    POST "/crosses/{cross_id}/passes" record_pass(RecordPassRequest) -> Pass,
        may WorkBloom, Create => app::passes::record;

    /// List the passes of a cross.
    GET "/crosses/{cross_id}/passes" list_passes(ListPassesRequest) -> PassList,
        may ReadProgramme, Read => app::passes::list;

    /// Record passes in any order, twice or late, as an app brings them back from the field.
    POST "/passes:batch" record_passes(RecordPassesRequest) -> BatchReply,
        may WorkBloom, Batch => app::passes::record_batch;

    /// Count fruit on a cross's mothers or picked from them.
    POST "/crosses/{cross_id}/fruit" record_fruit(RecordFruitRequest) -> FruitCount,
        may RaiseSeedlings, Create => app::fruit::record;

    /// List the counts of fruit of a cross.
    GET "/crosses/{cross_id}/fruit" list_fruit_counts(ListFruitCountsRequest) -> FruitCountList,
        may ReadProgramme, Read => app::fruit::list;

    /// Record a step of a cross's seed.
    POST "/crosses/{cross_id}/seed" record_seed(RecordSeedRequest) -> SeedCount,
        may RaiseSeedlings, Create => app::seed::record;

    /// A cross's seed from stone to seedling: stages, losses, lots, batches and germination curves.
    GET "/crosses/{cross_id}/seed" get_seed_ledger(GetSeedLedgerRequest) -> SeedLedger,
        may ReadProgramme, Read => app::seed::ledger;

    /// Stratified seed that is due to be sown.
    GET "/seed-due" list_seed_due(ListSeedDueRequest) -> SeedDueList,
        may ReadProgramme, Read => app::seed::due;

    /// Plant and number a cross's seedlings.
    POST "/crosses/{cross_id}/seedlings" plant_seedlings(PlantSeedlingsRequest) -> Planting,
        may RaiseSeedlings, Create => app::seedlings::plant;

    /// List seedlings.
    GET "/seedlings" list_seedlings(ListSeedlingsRequest) -> SeedlingList,
        may ReadProgramme, Read => app::seedlings::list;

    /// One seedling with its line of descent.
    GET "/seedlings/{seedling_id}" get_seedling(GetSeedlingRequest) -> Seedling,
        may ReadProgramme, Read => app::seedlings::get;

    /// Record that a seedling was moved, died or was regrafted.
    POST "/seedlings/{seedling_id}/events" record_seedling_event(RecordSeedlingEventRequest) -> Seedling,
        may RaiseSeedlings, Create => app::seedlings::record_event;

    /// Record a marker or visible-locus result, which updates the out-cross doubt.
    POST "/seedlings/{seedling_id}/loci" record_locus_result(RecordLocusResultRequest) -> Seedling,
        may RaiseSeedlings, Create => app::seedlings::record_locus;

    /// Take a seedling into the germplasm, under its own id.
    POST "/seedlings/{seedling_id}/selection" select_seedling(SelectSeedlingRequest) -> Germplasm,
        may WriteGermplasm, Create => app::seedlings::select;

    /// Labels with a QR code and the readable number, as PDF.
    POST "/labels" print_labels(PrintLabelsRequest) -> Document,
        may ReadProgramme, Document => app::labels::print;

    /// What one day of bloom asks for.
    GET "/days/{date}" get_day(GetDayRequest) -> DayList,
        may ReadProgramme, Read => app::days::get;

    /// The day's list with all that an app needs to work it without a connection.
    GET "/days/{date}/bundle" get_day_bundle(GetDayBundleRequest) -> DayBundle,
        may ReadProgramme, Read => app::days::bundle;

    /// Take what a day's work brings back: every kind of entry, in any order, twice or late.
    POST "/day-results" bring_day_results(DayResults) -> DayResultsReply,
        may WorkBloom, Act => app::results::take;

    /// The day's list to print, as PDF.
    GET "/days/{date}/sheet" print_day(PrintDayRequest) -> Document,
        may ReadProgramme, Document => app::days::print;

    /// Plan a pollinizer trial: several pollens on one variety in isolation.
    POST "/pollinizer-trials" plan_pollinizer_trial(PlanPollinizerTrialRequest) -> PollinizerTrial,
        may PlanCrosses, Create => app::pollinizers::plan;

    /// List pollinizer trials.
    GET "/pollinizer-trials" list_pollinizer_trials(ListPollinizerTrialsRequest) -> PollinizerTrialList,
        may ReadProgramme, Read => app::pollinizers::list;

    /// One pollinizer trial with its counts.
    GET "/pollinizer-trials/{pollinizer_trial_id}" get_pollinizer_trial(GetPollinizerTrialRequest) -> PollinizerTrial,
        may ReadProgramme, Read => app::pollinizers::get;

    /// Record flowers and fruits by pollen and branch; a later count of a branch replaces an earlier.
    POST "/pollinizer-trials/{pollinizer_trial_id}/counts" record_pollinizer_counts(RecordPollinizerCountsRequest) -> PollinizerTrial,
        may WorkBloom, Create => app::pollinizers::record;

    /// Judge a pollinizer trial: set by pollen, tests, recommendation.
    POST "/pollinizer-trials/{pollinizer_trial_id}/result" judge_pollinizer_trial(JudgePollinizerTrialRequest) -> PollinizerResult,
        may ReadProgramme, Read => app::pollinizers::judge;

    /// Load a season whole: everything is checked, and all is written or nothing.
    POST "/season-imports" import_season(ImportSeasonRequest) -> ImportSeasonReply,
        may ImportSeason, Act => app::import::load;

    /// What this service has announced since a position; for services only.
    GET "/feed" read_feed(ReadFeedRequest) -> FeedPage,
        may Services, Read => app::feed::read;

    /// Who wrote what in this service, newest first.
    GET "/audit" list_audit(contract::common::ListAuditRequest) -> contract::common::AuditPage,
        may ReadAudit, Read => app::audit::list;

    /// Register a weather station.
    POST "/weather-stations" register_weather_station(RegisterWeatherStationRequest) -> WeatherStation,
        may WorkBloom, Create => app::weather::register;

    /// List weather stations.
    GET "/weather-stations" list_weather_stations(ListWeatherStationsRequest) -> WeatherStationList,
        may ReadProgramme, Read => app::weather::list;

    /// One weather station with the span of its readings.
    GET "/weather-stations/{station_id}" get_weather_station(GetWeatherStationRequest) -> WeatherStation,
        may ReadProgramme, Read => app::weather::get;

    /// Change a station's name, site or indicator trees.
    PUT "/weather-stations/{station_id}" edit_weather_station(EditWeatherStationRequest) -> WeatherStation,
        may WorkBloom, Edit => app::weather::edit;

    /// Take hourly or daily readings; a later reading of an hour replaces the one before it.
    POST "/weather-stations/{station_id}/readings" record_weather(RecordWeatherRequest) -> BatchReply,
        may WriteWeather, Batch => app::weather::record;

    /// Take readings from CSV text.
    POST "/weather-stations/{station_id}/readings-csv" load_weather_csv(LoadWeatherCsvRequest) -> BatchReply,
        may WriteWeather, Act => app::weather::load_csv;

    /// The winter so far at a station: chill and heat by day, and what was filled.
    GET "/weather-stations/{station_id}/chill" get_season_chill(SeasonChillRequest) -> SeasonChill,
        may ReadProgramme, Read => app::weather::chill;

    /// When varieties reach balloon stage, full bloom and end of bloom.
    GET "/bloom-forecast" forecast_bloom(ForecastBloomRequest) -> BloomForecastList,
        may ReadProgramme, Read => app::forecast::forecast;

    /// Past seasons forecast blind, beside the rule of the mean date.
    GET "/bloom-forecast/score" score_bloom_forecast(ScoreBloomForecastRequest) -> BloomForecastScores,
        may ReadProgramme, Read => app::forecast::score;

    /// Rank possible crosses for an objective, with the reasons side by side.
    POST "/cross-adviser" advise_pairs(AdvisePairsRequest) -> AdvisedPairs,
        may ReadProgramme, Read => app::adviser::rank;

    /// Share a season's crosses among parents: gain against coancestry.
    POST "/season-plan" plan_season(PlanSeasonRequest) -> SeasonPlan,
        may ReadProgramme, Read => app::season_plan::plan;

    streams {
        /// Take readings of weather as a stream.
        stream_weather(WeatherStreamRow) joins record_weather by crate::stream::Weather;
    }
}
