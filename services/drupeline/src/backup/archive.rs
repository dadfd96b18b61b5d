//! The file of a backup: a tar of its manifest, the data folder's own files and PostgreSQL's dump, in
//! that order, so that what it is can be read without reading all of it.

use std::error::Error;
use std::fs;
use std::io::{self, Read as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Component, Path, PathBuf};

use futures_util::StreamExt as _;
use tokio::io::{AsyncRead, AsyncReadExt as _};
use tokio_tar::{Archive, Builder, Header};

use super::manifest::Manifest;

type Failed = Box<dyn Error + Send + Sync>;

const MANIFEST: &str = "manifest.json";
const FOLDER: &str = "data-folder";
const DUMP: &str = "database.dump";
/// Largest file of a data folder that is a secret or a setting; anything larger is not ours.
const FILE_BYTES: u64 = 1024 * 1024;

/// Files of a data folder: the set-up key, accounts of the demo and whatever else the program keeps
/// beside its database.
///
/// # Errors
/// When the folder or a file cannot be read.
pub fn folder_files(data_dir: &Path) -> io::Result<Vec<(String, Vec<u8>)>> {
    let mut files = Vec::new();
    let entries = match fs::read_dir(data_dir) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(files),
        Err(error) => return Err(error),
    };
    for entry in entries {
        let entry = entry?;
        let name = entry.file_name().into_string();
        let (Ok(name), true) = (name, entry.file_type()?.is_file()) else {
            continue;
        };
        let mut bytes = Vec::new();
        fs::File::open(entry.path())?
            .take(FILE_BYTES + 1)
            .read_to_end(&mut bytes)?;
        // Secrets and settings are text; a backup that was left in the folder is not.
        if bytes.len() as u64 <= FILE_BYTES && std::str::from_utf8(&bytes).is_ok() {
            files.push((name, bytes));
        }
    }
    files.sort();
    Ok(files)
}

/// A new file that only its owner may read.
///
/// # Errors
/// When it is there already or cannot be made.
pub fn private_file(path: &Path) -> io::Result<fs::File> {
    fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(path)
}

/// Writes the file of a backup.
///
/// # Errors
/// When a file cannot be read or written.
pub async fn write(
    file: fs::File,
    manifest: &Manifest,
    folder: &[(String, Vec<u8>)],
    dump: fs::File,
) -> Result<(), Failed> {
    let mut tar = Builder::new(tokio::fs::File::from_std(file));
    let text = serde_json::to_vec_pretty(manifest)?;
    append(&mut tar, MANIFEST, text.len() as u64, &text[..]).await?;
    for (name, bytes) in folder {
        let path = format!("{FOLDER}/{name}");
        append(&mut tar, &path, bytes.len() as u64, &bytes[..]).await?;
    }
    let size = dump.metadata()?.len();
    append(&mut tar, DUMP, size, tokio::fs::File::from_std(dump)).await?;
    tar.into_inner().await?.sync_all().await?;
    Ok(())
}

async fn append(
    tar: &mut Builder<tokio::fs::File>,
    path: &str,
    size: u64,
    bytes: impl AsyncRead + Unpin + Send,
) -> io::Result<()> {
    let mut header = Header::new_gnu();
    header.set_size(size);
    header.set_mode(0o600);
    tar.append_data(&mut header, path, bytes).await
}

/// A backup's file, read up to its dump.
pub struct Opened {
    /// What it says it holds.
    pub manifest: Manifest,
    /// Files of the data folder.
    pub folder: Vec<(String, Vec<u8>)>,
    /// PostgreSQL's dump.
    pub dump: tokio_tar::Entry<Archive<tokio::fs::File>>,
}

/// Opens the file of a backup.
///
/// # Errors
/// When it cannot be read or is none.
pub async fn open(path: &Path) -> Result<Opened, Failed> {
    let none = |what: String| -> Failed {
        format!("{} is no backup of Drupeline's: {what}", path.display()).into()
    };
    let file = tokio::fs::File::open(path)
        .await
        .map_err(|error| format!("{} cannot be read: {error}", path.display()))?;
    let mut entries = Archive::new(file).entries()?;
    let mut manifest = None;
    let mut folder = Vec::new();
    while let Some(entry) = entries.next().await {
        let mut entry = entry.map_err(|error| none(error.to_string()))?;
        let name: PathBuf = entry.path()?.into_owned();
        let Some(held) = manifest.take() else {
            if name != Path::new(MANIFEST) {
                return Err(none(format!("it begins with {}", name.display())));
            }
            let mut text = Vec::new();
            entry.read_to_end(&mut text).await?;
            let read = serde_json::from_slice(&text).map_err(|error| none(error.to_string()))?;
            manifest = Some(read);
            continue;
        };
        if name == Path::new(DUMP) {
            return Ok(Opened {
                manifest: held,
                folder,
                dump: entry,
            });
        }
        manifest = Some(held);
        let plain = name
            .strip_prefix(FOLDER)
            .ok()
            .filter(|rest| {
                let mut parts = rest.components();
                matches!(parts.next(), Some(Component::Normal(_))) && parts.next().is_none()
            })
            .and_then(Path::to_str)
            .ok_or_else(|| none(format!("it holds {}", name.display())))?
            .to_owned();
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).await?;
        folder.push((plain, bytes));
    }
    Err(none("it has no end; it may have been cut off".to_owned()))
}
