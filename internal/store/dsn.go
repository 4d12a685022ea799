package store

import (
	"net/url"
	"slices"
	"strings"

	"github.com/lib/pq"

	"sealmanac/internal/fault"
)

// sessionKeys are the settings of a session that a connection string may carry
// besides the driver's own; others go into options.
var sessionKeys = []string{"search_path", "statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout",
	"timezone", "work_mem",
	"synchronous_commit", "role"}

// checkDSN refuses a connection string that cannot be read, or that was read in pieces
// because its password is not escaped. The parser and the server both repeat what they
// do not understand, and that may be a part of the password: so nothing of the string
// reaches the error, only what is wrong with it.
func checkDSN(dsn string) error {
	wrong := func(what string) error {
		return &fault.Error{Op: "store.Open", Kind: fault.Invalid, Msg: "the PostgreSQL connection string cannot be used: " +
			what,
			Hint: "Write postgres://user@host/name or host=... dbname=.... In the first form write @ : / ? # % and spaces of " +
				"the " +
				"password as %40 %3A %2F %3F %23 %25 %20; in the second put the password in single quotes."}
	}
	inURL := strings.HasPrefix(dsn, "postgres://") || strings.HasPrefix(dsn, "postgresql://")
	if scheme, _, other := strings.Cut(dsn, "://"); other && !inURL && !strings.Contains(scheme, "=") {
		return wrong("it does not begin with postgres://")
	}
	if inURL {
		u, err := url.Parse(dsn)
		switch {
		case err != nil && strings.Contains(err.Error(), "invalid port"):
			return wrong("its port is not a number, or its password has a character that must be escaped")
		case err != nil, u.Fragment != "", strings.Contains(u.EscapedPath(), "@"), strings.Contains(u.RawQuery, "@"):
			return wrong("its password has a character that must be escaped")
		}
	}
	cfg, err := pq.NewConfig(dsn)
	switch {
	case err != nil && strings.Contains(err.Error(), `wrong value for "port"`):
		return wrong("its port is not a number")
	case err != nil && strings.Contains(err.Error(), `wrong value for "sslmode"`):
		return wrong("its sslmode is not one of disable, allow, prefer, require, verify-ca, verify-full")
	case err != nil && strings.Contains(err.Error(), "quoted string"):
		return wrong("a quote is not closed")
	case err != nil && strings.Contains(err.Error(), `missing "="`):
		return wrong("a word has no = after it")
	case err != nil:
		return wrong("one of its values is not allowed")
	case strings.Contains(cfg.User, ":"):
		return wrong("its user has a colon")
	}
	for key := range cfg.Runtime {
		if !slices.Contains(sessionKeys, strings.ToLower(key)) {
			return wrong("it has a parameter that is not known here; allowed besides those of a connection: " +
				strings.Join(sessionKeys, ", ") + "; others as options='-c name=value'")
		}
	}
	return nil
}
