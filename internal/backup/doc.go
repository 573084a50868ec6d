// Package backup keeps a whole database in one file and puts it back.
//
// A file is made from one moment of the database while others go on writing, needs no
// tool of PostgreSQL, and does not depend on the version of the server: rows are in
// the text form of COPY, under fixed settings. A restore goes into an empty database
// only, in one transaction.
//
// # The file
//
// A tar archive, compressed by gzip, so that it can be looked into with what every
// system has. Its members, in this order:
//
//	backup.json              what it is: {"format": 1, "program": …, "made": …, "schema": …,
//	                         "tables": [{"name": …, "columns": […]}, …]}
//	tables/NAME/000001.copy  rows of a table, whole lines, about a mebibyte each; tables in
//	tables/NAME/000002.copy  the order of backup.json, none for a table without rows
//	end.json                 {"tables": {NAME: {"rows": …, "sum": …}}, "sequences": {…},
//	                         "journal": [{"site": …, "entries": …, "last": …, "entry": …}]}
//
// The sum of a table is the sum of the SHA-256 of its rows, each without its line end,
// taken as four little-endian 64-bit numbers that are added without carry; so it does
// not depend on the order of rows. A file without end.json is cut.
//
// # What is not in it
//
// Passwords, sessions, one-time links and counts of wrong passwords stay behind, hashed
// as they are: a backup goes to other machines, and nothing in it shall open a door. It
// holds who is registered with which role, and of stations' tokens name, role and SHA-256,
// which is of 32 random bytes and cannot be turned back. So stations go on after a
// restore, and people set new passwords: alike serve prints a link for an administrator.
// Everything else is in it in readable text: keep it as you keep the measurements.
//
// # What a restore checks
//
//  1. Before anything is written: the whole file is read, gzip's own checksum holds, each
//     table has its rows and its sum, nothing stands behind the end, the schema is one
//     that this program knows, and the database is empty.
//  2. Before the transaction is committed: rows and sums of the tables, read back from
//     the database, are those of the file, and the end of each site's journal is the same
//     to the letter.
//  3. Every stored curve has the content hash that stands beside it. What does not was
//     wrong before the backup; it is told and kept.
//
// A backup of an older schema is put back in that schema, which is then brought up to
// date.
package backup
