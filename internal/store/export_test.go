package store

// Reads are queries that must find their rows by an index, with values for their
// placeholders and the indexes that serve.
var Reads = map[string]struct {
	Query   string
	Args    []any
	Indexes []string
}{
	"newest notices":       {newestNotices, []any{"main", 50}, []string{"notice_made"}},
	"made today":           {madeToday, []any{"main", "t7", "2026-01-01"}, []string{"notice_task", "notice_made"}},
	"withdrawal of a task": {withdrawNotices + taskOnly, []any{1, 1, "main", "t7"}, []string{"notice_task"}},
	"search by a word": {foundNotices, []any{"main", "abcdef", "abcdef", "abcdef", "abcdefg"},
		[]string{"notice_pkey", "sqlite_autoindex_notice_3"}},
	"last pass":          {lastPass, []any{"main"}, []string{"pass_pkey", "sqlite_autoindex_pass_1"}},
	"last passes of all": {lastPasses, nil, []string{"pass_pkey", "sqlite_autoindex_pass_1"}},
}

var taskOnly, _ = withdrawable("", "t")
