//! SQLite's many errors as the few that the journal acts on differently.

use rusqlite::ErrorCode;

use super::store::StoreError;

pub(super) fn store_error(error: rusqlite::Error) -> StoreError {
    let text = error.to_string();
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => StoreError::Full(text),
        Some(ErrorCode::ReadOnly) => StoreError::ReadOnly(text),
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked | ErrorCode::FileLockingProtocolFailed) => {
            StoreError::Locked(text)
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => StoreError::Damaged(text),
        Some(ErrorCode::ConstraintViolation | ErrorCode::TooBig | ErrorCode::TypeMismatch) => {
            StoreError::Refused(text)
        }
        // Our statements are fixed: when one of them no longer fits the tables, the tables have changed. The
        // same holds for a column that has another type than we ever wrote.
        Some(ErrorCode::Unknown) | None => StoreError::Damaged(text),
        Some(_) => StoreError::Io(text),
    }
}

pub(super) fn io_error(what: &str, error: &std::io::Error) -> StoreError {
    use std::io::ErrorKind;
    let text = format!("{what}: {error}");
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => StoreError::Full(text),
        ErrorKind::ReadOnlyFilesystem => StoreError::ReadOnly(text),
        _ => StoreError::Io(text),
    }
}
