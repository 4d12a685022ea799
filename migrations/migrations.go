// Package migrations embeds the schema of both databases, because go:embed
// cannot reach a parent folder. Files with the same number make the same change;
// they only go forward. Package store applies them, and adds number 19, which needs Go.
package migrations

import "embed"

// FS holds postgres/NNNNN_name.sql and sqlite/NNNNN_name.sql.
//
//go:embed postgres/*.sql sqlite/*.sql
var FS embed.FS
