// Package migrations holds the database schema as numbered SQL files, applied in
// order at start. A file that has been released is never edited; a change is a new
// file.
package migrations

import "embed"

// FS holds the SQL files.
//
//go:embed *.sql
var FS embed.FS
