//! A season loaded whole: every row goes through the use case of the single call, in one
//! transaction, so that all faults are told and all is written or nothing.

use std::collections::{HashMap, HashSet};

use contract::crossing::{
    CrossWarning, ImportFault, ImportSeasonReply, ImportSeasonRequest, ImportWarning,
    ImportedSection,
};
use platform::fault::FaultKind;
use platform::operation::UseCase;
use platform::retry::{self, RetryKey};
use platform::{Fault, Unit};
use serde_json::Value;

use crate::{CrossingApp, operations, store};

/// Checks a season's rows and, unless there are faults or only a check was asked for, writes them.
///
/// A row that was loaded before is left alone; one that refers to a faulty row is not judged, as
/// its own fault would only repeat the other's.
pub async fn season(
    app: &CrossingApp,
    unit: &mut Unit,
    request: ImportSeasonRequest,
) -> Result<ImportSeasonReply, Fault> {
    let check_only = request.check_only;
    let known = store::imports::answered(unit, &ids(&request)?).await?;
    let mut import = Import { app, known, faulty: HashSet::new(), reply: ImportSeasonReply::default() };
    let whole = unit.open_part().await?;
    import.take::<operations::open_season>(unit, "seasons", request.seasons).await?;
    import.take::<operations::register_germplasm>(unit, "germplasm", request.germplasm).await?;
    import.take::<operations::register_mother>(unit, "mothers", request.mothers).await?;
    import.take::<operations::record_bloom>(unit, "bloom_records", request.bloom_records).await?;
    import.take::<operations::gather_pollen>(unit, "pollen_lots", request.pollen_lots).await?;
    import
        .take::<operations::record_pollen_event>(unit, "pollen_events", request.pollen_events)
        .await?;
    import.take::<operations::plan_cross>(unit, "crosses", request.crosses).await?;
    import
        .take::<operations::record_mother_event>(unit, "mother_events", request.mother_events)
        .await?;
    import.take::<operations::record_pass>(unit, "passes", request.passes).await?;
    import.take::<operations::record_fruit>(unit, "fruit", request.fruit).await?;
    import.take::<operations::record_seed>(unit, "seed", request.seed).await?;
    import.take::<operations::plant_seedlings>(unit, "seedlings", request.seedlings).await?;

    let mut reply = import.reply;
    reply.written = !check_only && reply.faults.is_empty();
    if reply.written {
        unit.keep_part(whole).await?;
    } else {
        unit.undo_part(whole).await?;
    }
    Ok(reply)
}

/// Every id that the rows were given by the client.
fn ids(request: &ImportSeasonRequest) -> Result<Vec<String>, Fault> {
    let request = serde_json::to_value(request).map_err(Fault::internal)?;
    let sections = request.as_object().into_iter().flat_map(|sections| sections.values());
    Ok(sections
        .filter_map(Value::as_array)
        .flatten()
        .filter_map(|row| row.get("id").and_then(Value::as_str))
        .map(str::to_lowercase)
        .collect())
}

/// An import under way.
struct Import<'a> {
    app: &'a CrossingApp,
    /// Fingerprints of requests that were answered before, by operation and id.
    known: HashMap<(String, String), Vec<u8>>,
    /// Ids of rows that are at fault or refer to one that is.
    faulty: HashSet<String>,
    reply: ImportSeasonReply,
}

/// What became of one row.
enum Taken {
    Written(Vec<CrossWarning>),
    Unchanged,
}

impl Import<'_> {
    async fn take<U>(
        &mut self,
        unit: &mut Unit,
        section: &str,
        rows: Vec<U::Request>,
    ) -> Result<(), Fault>
    where
        U: UseCase<App = CrossingApp>,
    {
        if rows.is_empty() {
            return Ok(());
        }
        unit.caller().may(U::OPERATION.permission)?;
        let mut done = ImportedSection { section: section.to_owned(), ..Default::default() };
        for (row, request) in (0u64..).zip(rows) {
            let asked = serde_json::to_value(&request).map_err(Fault::internal)?;
            let id = asked.get("id").and_then(Value::as_str).unwrap_or_default().to_lowercase();
            if refers_to(&asked, &self.faulty) {
                self.faulty.insert(id);
                continue;
            }
            match self.take_row::<U>(unit, &id, &asked, request).await {
                Ok(Taken::Unchanged) => done.unchanged_n += 1,
                Ok(Taken::Written(warnings)) => {
                    done.written_n += 1;
                    if !warnings.is_empty() {
                        let section = section.to_owned();
                        self.reply.warnings.push(ImportWarning { section, row, id, warnings });
                    }
                }
                Err(fault) if is_of_the_row(&fault) => {
                    self.faulty.insert(id.clone());
                    self.reply.faults.push(ImportFault {
                        section: section.to_owned(),
                        row,
                        id,
                        errors: fault.into_field_errors().into_iter().map(Into::into).collect(),
                    });
                }
                Err(fault) => return Err(fault),
            }
        }
        self.reply.sections.push(done);
        Ok(())
    }

    async fn take_row<U>(
        &mut self,
        unit: &mut Unit,
        id: &str,
        asked: &Value,
        request: U::Request,
    ) -> Result<Taken, Fault>
    where
        U: UseCase<App = CrossingApp>,
    {
        if id.is_empty() {
            return Err(Fault::field(
                "/id",
                "is required in an import, so that loading again changes nothing; make a UUID",
            ));
        }
        let key = (U::OPERATION.name.to_owned(), id.to_owned());
        let fingerprint = retry::fingerprint(asked);
        match self.known.get(&key) {
            Some(known) if *known == fingerprint => return Ok(Taken::Unchanged),
            Some(_) => {
                return Err(Fault::exists(
                    "/id",
                    "this was loaded before with other contents, and what was recorded is not overwritten; take the change back, or correct the record where it is kept",
                ));
            }
            None => {}
        }
        let part = unit.open_part().await?;
        let reply = match U::run(self.app, unit, request).await {
            Ok(reply) => serde_json::to_value(&reply).map_err(Fault::internal)?,
            Err(fault) => {
                unit.undo_part(part).await?;
                return Err(fault);
            }
        };
        // A later single call with the same id is answered from here.
        let kept = RetryKey::ClientId(id.to_owned());
        retry::keep(unit, U::OPERATION.name, &kept, &fingerprint, &reply).await?;
        unit.keep_part(part).await?;
        self.known.insert(key, fingerprint);
        Ok(Taken::Written(warnings(&reply)))
    }
}

/// Whether a fault lies in the row, so that others can still be judged.
fn is_of_the_row(fault: &Fault) -> bool {
    use FaultKind as K;
    matches!(fault.kind(), K::Malformed | K::Invalid | K::NotFound | K::Exists | K::State)
}

/// Whether any text of a request is one of `ids`.
fn refers_to(value: &Value, ids: &HashSet<String>) -> bool {
    match value {
        Value::String(text) => ids.contains(text),
        Value::Array(values) => values.iter().any(|value| refers_to(value, ids)),
        Value::Object(fields) => fields.values().any(|value| refers_to(value, ids)),
        Value::Null | Value::Bool(_) | Value::Number(_) => false,
    }
}

/// The warnings of a reply.
fn warnings(reply: &Value) -> Vec<CrossWarning> {
    reply
        .get("warnings")
        .and_then(|warnings| serde_json::from_value(warnings.clone()).ok())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use contract::crossing::{PlanCrossRequest, RecordPassRequest};
    use serde_json::json;

    #[test]
    fn ids_of_all_sections_are_found() {
        let request = ImportSeasonRequest {
            crosses: vec![PlanCrossRequest { id: "A".into(), ..Default::default() }],
            passes: vec![RecordPassRequest { id: "b".into(), ..Default::default() }],
            ..Default::default()
        };
        assert_eq!(ids(&request).unwrap(), ["a", "b"]);
    }

    #[test]
    fn a_reference_is_found_at_any_depth() {
        let faulty = HashSet::from(["x".to_owned()]);
        assert!(refers_to(&json!({ "mother_ids": ["w", "x"] }), &faulty));
        assert!(refers_to(&json!({ "pollen_candidates": [{ "germplasm_id": "x" }] }), &faulty));
        assert!(!refers_to(&json!({ "id": "y", "flowers_n": 3 }), &faulty));
    }

    #[test]
    fn warnings_of_a_reply_are_carried_over() {
        let reply = json!({ "id": "1", "warnings": [{ "code": "stale_pollen", "message": "old" }] });
        assert_eq!(warnings(&reply)[0].code, "stale_pollen");
        assert!(warnings(&json!({ "id": "1" })).is_empty());
    }

    #[test]
    fn a_fault_of_ours_ends_the_import() {
        assert!(is_of_the_row(&Fault::field("/on", "is required")));
        assert!(is_of_the_row(&Fault::not_found("cross", "x")));
        assert!(!is_of_the_row(&Fault::unavailable("busy")));
        assert!(!is_of_the_row(&Fault::forbidden("no").with_errors(Vec::new())));
    }
}
