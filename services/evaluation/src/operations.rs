//! Every operation of this service: address, permission and use case.

use contract::common::{BatchReply, Document, FeedPage, ReadFeedRequest};
use contract::evaluation::*;

use crate::{EvaluationApp, app};

platform::operations! {
    app: EvaluationApp,
    service: "evaluation", root: "/api/evaluation/v1",
    grpc: contract::evaluation::evaluation_server::Evaluation,

    /// Register a place where trials stand.
    POST "/sites" register_site(RegisterSiteRequest) -> Site,
        may ManageTrials, Create => app::sites::register;
    /// List the places where trials stand.
    GET "/sites" list_sites(ListSitesRequest) -> SiteList,
        may ReadProgramme, Read => app::sites::list;
    /// One site.
    GET "/sites/{site_id}" get_site(GetSiteRequest) -> Site,
        may ReadProgramme, Read => app::sites::get;

    /// Define a trait of the programme's own.
    POST "/traits" define_trait(DefineTraitRequest) -> TraitDefinition,
        may ManageTrials, Create => app::traits::define;
    /// Add the standard set of traits of stone fruit; those already there stay as they are.
    POST "/traits:standard" add_standard_traits(AddStandardTraitsRequest) -> TraitList,
        may ManageTrials, Act => app::traits::add_standard;
    /// List the trait library; before the first trial, the standard set as it will be added.
    GET "/traits" list_traits(ListTraitsRequest) -> TraitList,
        may ReadProgramme, Read => app::traits::list;
    /// One trait by its code.
    GET "/traits/{code}" get_trait(GetTraitRequest) -> TraitDefinition,
        may ReadProgramme, Read => app::traits::get;
    /// Say which characteristics of UPOV test guidelines a trait serves; those said before are replaced.
    POST "/traits/{code}/upov" number_trait(NumberTraitRequest) -> TraitDefinition,
        may ManageTrials, Act => app::traits::number;

    /// Open a trial: stage, season, sites, entries and checks.
    POST "/trials" open_trial(OpenTrialRequest) -> Trial,
        may ManageTrials, Create => app::trials::open;
    /// List trials, the newest first.
    GET "/trials" list_trials(ListTrialsRequest) -> TrialList,
        may ReadProgramme, Read => app::trials::list;
    /// One trial with its entries.
    GET "/trials/{trial_id}" get_trial(GetTrialRequest) -> Trial,
        may ReadProgramme, Read => app::trials::get;
    /// Randomise a trial and number its trees; once for each trial.
    POST "/trials/{trial_id}/layout" lay_out_trial(LayOutTrialRequest) -> TrialLayout,
        may ManageTrials, Create => app::layouts::lay_out;
    /// The layout of a trial.
    GET "/trials/{trial_id}/layout" get_layout(GetLayoutRequest) -> TrialLayout,
        may ReadProgramme, Read => app::layouts::get;
    /// The layout of a trial as CSV, one tree a line.
    GET "/trials/{trial_id}/layout.csv" get_layout_csv(GetLayoutCsvRequest) -> Document,
        may ReadProgramme, Document => app::layouts::csv;
    /// The layout of one site of a trial as an SVG map.
    GET "/trials/{trial_id}/layout.svg" get_layout_map(GetLayoutMapRequest) -> Document,
        may ReadProgramme, Document => app::layouts::map;
    /// Labels of a trial's trees with a QR code and the readable number, as PDF.
    GET "/trials/{trial_id}/labels.pdf" print_tree_labels(PrintTreeLabelsRequest) -> Document,
        may ReadProgramme, Document => app::layouts::labels;
    /// Try a design without keeping it; entries are any names.
    POST "/designs:try" try_design(TryDesignRequest) -> TrialLayout,
        may ReadProgramme, Read => app::layouts::try_design;
    /// Record what became of a tree: died, removed, replaced or thinned.
    POST "/trees/{tree_id}/events" record_tree_event(RecordTreeEventRequest) -> TreeEvent,
        may TakeRecords, Create => app::trees::record_event;
    /// One tree with what became of it.
    GET "/trees/{tree_id}" get_tree(GetTreeRequest) -> TrialTree,
        may ReadProgramme, Read => app::trees::get;

    /// Take records of trees in a batch; a row sent again with the same content is harmless.
    POST "/records:batch" take_records(TakeRecordsRequest) -> BatchReply,
        may TakeRecords, Batch => app::records::take;
    /// Take records from a file, CSV or a spreadsheet; the same file again is harmless.
    POST "/records:file" take_record_file(TakeRecordFileRequest) -> BatchReply,
        may TakeRecords, File => app::record_file::take;
    /// List records, corrected ones too.
    GET "/records" list_records(ListRecordsRequest) -> RecordList,
        may ReadProgramme, Read => app::records::list;
    /// Decide whether a doubtful record stays in the figures.
    POST "/records/{record_id}/judgement" judge_record(JudgeRecordRequest) -> RecordItem,
        may ManageTrials, Act => app::records::judge;
    /// Refer to a photograph of a tree that is kept elsewhere.
    POST "/photos" add_photo(AddPhotoRequest) -> TreePhoto,
        may TakeRecords, Create => app::photos::add;
    /// List photographs of a tree.
    GET "/photos" list_photos(ListPhotosRequest) -> TreePhotoList,
        may ReadProgramme, Read => app::photos::list;

    /// Means of a trial's entries for one trait, adjusted for site, year and block.
    GET "/trials/{trial_id}/means" get_means(GetMeansRequest) -> TrialMeans,
        may ReadProgramme, Read => app::means::get;
    /// The value of every tree for one trait, for maps.
    GET "/trials/{trial_id}/tree-values" get_tree_values(GetTreeValuesRequest) -> TreeValueList,
        may ReadProgramme, Read => app::means::tree_values;
    /// Entries of a trial ranked over several traits.
    GET "/trials/{trial_id}/ranking" get_ranking(GetRankingRequest) -> TrialRanking,
        may ReadProgramme, Read => app::ranking::get;
    /// Stability of entries over sites and years for one trait.
    GET "/trials/{trial_id}/stability" get_stability(GetStabilityRequest) -> TrialStability,
        may ReadProgramme, Read => app::stability::get;
    /// How the people who took records differ from one another for one trait.
    GET "/trials/{trial_id}/assessors" compare_assessors(CompareAssessorsRequest) -> AssessorComparison,
        may ReadProgramme, Read => app::assessors::compare;

    /// What a trial says of its entries in one trait: variances, predictions, and the model in words.
    GET "/trials/{trial_id}/figures" get_figures(GetFiguresRequest) -> TrialFigures,
        may ReadProgramme, Read => app::figures::get;
    /// Choose the analysis whose model the figures of a trait follow, or go back to the usual one.
    POST "/trials/{trial_id}/figures:choose" choose_analysis(ChooseAnalysisRequest) -> FiguresSource,
        may ManageTrials, Act => app::figures::choose;

    /// Suggest which entries go on, with reasons; nothing is decided.
    POST "/trials/{trial_id}/advance-list" suggest_advance(SuggestAdvanceRequest) -> AdvanceList,
        may ReadProgramme, Read => app::advance::suggest;
    /// Decide which entries go on, are discarded or wait; announced to the release pipeline.
    POST "/trials/{trial_id}/decisions" decide_entries(DecideEntriesRequest) -> DecisionReply,
        may SelectTrees, Create => app::decisions::decide;
    /// Decisions of a trial, the newest first.
    GET "/trials/{trial_id}/decisions" list_decisions(ListDecisionsRequest) -> DecisionList,
        may ReadProgramme, Read => app::decisions::list;

    /// Ask for a mixed-model analysis of one trait; it is computed in the background.
    POST "/trials/{trial_id}/analyses" request_analysis(RequestAnalysisRequest) -> Analysis,
        may ManageTrials, Accept => app::analyses::request;
    /// An analysis: how far it is, and its results.
    GET "/analyses/{analysis_id}" get_analysis(GetAnalysisRequest) -> Analysis,
        may ReadProgramme, Read => app::analyses::get;
    /// Compute an analysis again from the records as they are now, beside the earlier one.
    POST "/analyses/{analysis_id}/repeat" repeat_analysis(RepeatAnalysisRequest) -> Analysis,
        may ManageTrials, Accept => app::analyses::repeat;
    /// Residuals of an analysis, record by record, with their variogram over the ground.
    GET "/analyses/{analysis_id}/residuals" get_residuals(GetResidualsRequest) -> AnalysisResiduals,
        may ReadProgramme, Read => app::analyses::residuals;
    /// List analyses of a trial, the newest first, without their effects.
    GET "/trials/{trial_id}/analyses" list_analyses(ListAnalysesRequest) -> AnalysisList,
        may ReadProgramme, Read => app::analyses::list;
    /// Finished analyses of a trait that predict entries, the newest first, without their effects.
    GET "/traits/{code}/predictions" list_predictions(ListPredictionsRequest) -> AnalysisList,
        may ReadProgramme, Read => app::analyses::predicting;
    /// Rank candidates by a selection index with the expected response.
    POST "/selection-index" compute_selection_index(ComputeSelectionIndexRequest) -> SelectionIndex,
        may ReadProgramme, Read => app::index::compute;
    /// What keeping different numbers at each stage would bring, by simulation.
    POST "/selection-plans" plan_selection(PlanSelectionRequest) -> SelectionPlan,
        may ReadProgramme, Read => app::plans::plan;

    /// The trials in which one plant was an entry, oldest first, with what was decided on it.
    GET "/plants/{germplasm_id}/trials" list_plant_trials(ListPlantTrialsRequest) -> PlantTrialList,
        may ReadProgramme, Read => app::trials::of_plant;
    /// Trees looked at, entries and decisions by crossing year, season and stage.
    GET "/stage-summaries" list_stage_summaries(ListStageSummariesRequest) -> StageSummaryList,
        may ReadProgramme, Read => app::summaries::list;
    /// What this service has announced since a position; for services only.
    GET "/feed" read_feed(ReadFeedRequest) -> FeedPage,
        may Services, Read => app::feed::read;

    /// Who wrote what in this service, newest first.
    GET "/audit" list_audit(contract::common::ListAuditRequest) -> contract::common::AuditPage,
        may ReadAudit, Read => app::audit::list;

    streams {
        /// Take records as a stream.
        stream_records(RecordBatchRow) joins take_records by crate::stream::Records;
    }
}
