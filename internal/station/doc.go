// Package station sends the files that a measuring program leaves in a folder to a
// server, each take once and in order, and loses none: neither when the server is
// away, nor when the station is killed, nor when the disk is full.
//
// # A file's way
//
//	found ──size and time stand still──► read ──► spooled ──► sent ──► done/
//	             ▲                        │          │          └────► refused/ and a .reason.txt
//	             └──────it grew again─────┴──────────┘
//
// In steps:
//
//  1. A file counts as written when its size and time of change have stood still for
//     the time Settle and [curve] finds it complete. What curve refuses may still be
//     half written: it is read again whenever it changes, and refused for good only
//     when it has stood still for Patience.
//  2. Its takes are written to the spool, as the requests that will be sent: a
//     temporary name, fsync, rename, fsync of the folder. When that fails, say because
//     the disk is full, the file stays where it is and the station tries again.
//  3. Requests are sent one by one in the order of the spool. The server knows a take
//     by the hash of its curve, so that sending again after a lost answer changes
//     nothing. Errors that may pass (no connection, 5xx, 401) are tried again for ever,
//     with growing pauses.
//  4. The file is moved to done/, or to refused/ when any of its takes was refused,
//     with the reason in a text beside it. Nothing is deleted. If the file is no longer
//     what was sent, it stays; what was refused is then kept from the spool. What the
//     station itself could not read it tells the server's quarantine, through the
//     spool, so that the record does not depend on where a file was found wrong.
//  5. The spool's entry is removed. A station killed before that sends the entry again
//     and the server answers that it knows the takes.
//
// A file that grows while its entry is still in the spool is read again: when it begins
// with what was read before, the entry is withdrawn. When it was replaced by something
// else, both are sent.
//
// An entry that the server answers with an error of its own again and again goes behind
// the others, so that one bad take cannot stop the line.
//
// # In the folder
//
//	done/            files whose takes are all stored
//	refused/         files of which a take was refused, each with NAME.reason.txt
//	.alike-station/  lock, and spool/NNNNNNNNNN.json
//
// An entry of the spool is one line, "alike spool 1" and the SHA-256 of what follows in
// hexadecimal, then JSON. An entry that does not match its hash is moved to refused/.
package station
