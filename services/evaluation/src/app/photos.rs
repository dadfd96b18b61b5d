//! Photographs kept elsewhere, by reference with a checksum.

use contract::evaluation::{AddPhotoRequest, ListPhotosRequest, TreePhoto, TreePhotoList};
use platform::paging::Page;
use platform::{Fault, Fields, Unit};

use super::traits;
use crate::EvaluationApp;
use crate::store;

/// Refers to a photograph of a tree.
///
/// # Errors
/// Invalid fields; a tree or trait that is not known.
pub async fn add(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: AddPhotoRequest,
) -> Result<TreePhoto, Fault> {
    let programme = unit.programme()?;
    let mut fields = Fields::new();
    let id = fields.client_id(&request.id);
    let tree_id = fields.id("tree_id", &request.tree_id);
    let address = fields.text("address", &request.address, 2000).to_owned();
    let schemes = ["https://", "s3://", "file://"];
    fields.require(
        address.is_empty() || schemes.iter().any(|scheme| address.starts_with(scheme)),
        "address",
        "must be an https, s3 or file address",
    );
    let sha256 = request.sha256.trim().to_ascii_lowercase();
    fields.require(
        sha256.len() == 64 && sha256.bytes().all(|b| b.is_ascii_hexdigit()),
        "sha256",
        "must be the SHA-256 of the file, 64 hexadecimal digits",
    );
    let taken_at = fields.optional_instant("taken_at", &request.taken_at);
    if request.taken_at.is_empty() {
        fields.fault("taken_at", "is required, as 2026-06-14T08:30:00Z");
    }
    if let Some(at) = taken_at {
        fields.require(
            at <= unit.now(),
            "taken_at",
            format!("{at} is in the future"),
        );
    }
    fields.finish()?;
    let (Some(tree_id), Some(taken_at)) = (tree_id, taken_at) else {
        return Err(Fault::malformed("the photograph cannot be read"));
    };
    store::trees::get(unit.connection(), programme, tree_id, false)
        .await
        .map_err(|_| Fault::field("/tree_id", format!("no tree {tree_id} is known")))?;
    if !request.r#trait.is_empty() {
        traits::asked(unit, programme, "/trait", &request.r#trait).await?;
    }
    let by = request.by.trim();
    let photo = TreePhoto {
        id: id.to_string(),
        tree_id: tree_id.to_string(),
        address,
        sha256,
        taken_at: taken_at.to_string(),
        by: if by.is_empty() {
            unit.caller().name.clone()
        } else {
            by.to_owned()
        },
        r#trait: request.r#trait,
        note: request.note.trim().to_owned(),
    };
    store::photos::insert(
        unit.connection(),
        programme,
        (id, tree_id, taken_at),
        &photo,
    )
    .await?;
    unit.touch("photo", id);
    Ok(photo)
}

/// Lists photographs of a tree.
///
/// # Errors
/// Invalid fields.
pub async fn list(
    _app: &EvaluationApp,
    unit: &mut Unit,
    request: ListPhotosRequest,
) -> Result<TreePhotoList, Fault> {
    let programme = unit.programme()?;
    let page = Page::parse(request.limit, &request.cursor)?;
    let mut fields = Fields::new();
    let tree = fields.id("tree_id", &request.tree_id);
    fields.finish()?;
    let Some(tree) = tree else {
        return Err(Fault::not_found("tree", request.tree_id));
    };
    let photos = store::photos::list(
        unit.connection(),
        programme,
        tree,
        page.after_key()?,
        page.fetch(),
    )
    .await?;
    let (items, next_cursor) = page.cut(photos, |photo| photo.id.clone());
    Ok(TreePhotoList { items, next_cursor })
}
