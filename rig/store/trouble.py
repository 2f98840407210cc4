"""Own the code for what keeps the disk from taking the record; never decide what follows."""

import errno
import sqlite3

STALLED = "stalled"
INTERNAL = "internal"
_OF_DATABASE = {
    sqlite3.SQLITE_FULL: "disk_full",
    sqlite3.SQLITE_BUSY: "locked",
    sqlite3.SQLITE_LOCKED: "locked",
    sqlite3.SQLITE_IOERR: "write_error",
    sqlite3.SQLITE_CANTOPEN: "write_error",
    sqlite3.SQLITE_READONLY: "read_only",
    sqlite3.SQLITE_PERM: "read_only",
    sqlite3.SQLITE_CORRUPT: "damaged",
    sqlite3.SQLITE_NOTADB: "damaged",
}
_OF_SYSTEM = {
    errno.ENOSPC: "disk_full",
    errno.EDQUOT: "disk_full",
    errno.EROFS: "read_only",
    errno.EACCES: "read_only",
    errno.EPERM: "read_only",
}
_PRIMARY = 0xFF
"""An extended result code of SQLite holds the primary one in its lowest byte."""


def cause_of(error: sqlite3.Error | OSError) -> str:
    """Return the code of a failed write: a cause of the finding `store_failing`."""
    if isinstance(error, OSError):
        return _OF_SYSTEM.get(error.errno or 0, "write_error")
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return INTERNAL
    return _OF_DATABASE.get(code & _PRIMARY, INTERNAL)
