package store

import (
	"errors"
	"os"
	"strings"

	"github.com/lib/pq"
	sqlite "modernc.org/sqlite"
)

// hintOf returns what to do about an error of the database itself, or "".
func hintOf(err error) string {
	const full = "Free space on the disk that holds the database. Nothing of this change was stored."
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		switch e.Code() & 0xff {
		case 11, 26: // SQLITE_CORRUPT, SQLITE_NOTADB
			return "The file in store.path is damaged or is not a database. Restore your backup, or name another file."
		case 3, 8: // SQLITE_PERM, SQLITE_READONLY
			return "Allow sealmanac to write the file in store.path, its folder, and the files beside it that end in -wal " +
				"and -shm."
		case 14: // SQLITE_CANTOPEN
			return "Check that store.path names a file, and that sealmanac may read and write it and its folder."
		case 13: // SQLITE_FULL
			return full
		case 10: // SQLITE_IOERR
			return "Check the disk that holds the file in store.path. It could not be read or written, or it is full."
		}
	}
	if e, ok := errors.AsType[*pq.Error](err); ok {
		switch {
		case e.Code == "53100":
			return full
		case e.Code == "25006":
			return "The server is a read-only standby. Name a server that accepts writes in store.dsn."
		case e.Code == "3D000":
			return "Create the database, or name another one in store.dsn."
		case strings.HasPrefix(string(e.Code), "28"):
			return "Check the user and the password in store.dsn."
		}
	}
	return ""
}

// keepPrivate makes a database file that only its owner may read, and takes from others
// what an older program or a careless hand gave them: it holds hashes of passwords, keys
// and addresses. SQLite gives the files beside it the same mode. A group that may read
// it, for backups, is the operator's choice. Whatever fails here shows when the file is
// opened.
func keepPrivate(path string) {
	if f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600); err == nil {
		_ = f.Close() // nothing was written
	}
	for _, p := range []string{path, path + "-wal", path + "-shm"} {
		if st, err := os.Stat(p); err == nil && st.Mode().IsRegular() && st.Mode().Perm()&0o007 != 0 {
			_ = os.Chmod(p, 0o600)
		}
	}
}
