// Package spc is the map of alike's statistics and acoustics.
//
// Everything below this folder is pure: numbers in, numbers out. No file, no
// clock, no database, no logging, and no import but gonum, the standard library
// and each other, so that a stranger can use any one package without the rest of
// the program.
//
// Leaves, which all others may use:
//
//	sample       a list of finite numbers: checks, mean, spread, shares
//	dist         distributions that gonum lacks, or not accurately enough
//	band         frequency response, fractional-octave bands, target, anchor
//
// One unit:
//
//	envelope     tolerance limits per band, guard band, verdict
//	cause        what a change looks like, and what in parts and work coincides with it
//	conformance  risks of a wrong verdict from measuring uncertainty
//
// The line:
//
//	chart        control charts of one stream, run rules, self-starting scores
//	multi        Hotelling T² and MEWMA over many streams, shrunk covariance
//	runlength    how long until a chart signals
//	budget       limits of a whole board from the run length asked for
//	change       since when, with a confidence set
//	gauge        what measuring itself adds to the spread
//	capability   how the spread fits the limits
//	tolerance    intervals that hold a stated share of all units
//
// Lots and parts:
//
//	sampling     acceptance plans by exact chances
//	compare      groups, batches and suppliers
//	pairing      drivers that go together
//
// # Words
//
// A stream is one number per unit in the order of production: the 63 Hz band of
// the left channel, the sensitivity, the balance. A rule is a pattern of points
// that is unlikely while the process stands still; it fires at the point that
// completes the pattern.
//
// # Errors, warnings, panics
//
// Data that cannot be used (too few values, no spread, a value that is not
// finite) give an error that says which value and what to do. Data that can be
// used but deserve a caution give a result with Warnings: whole sentences, meant
// for the reader of the page or the sheet. A panic means a programming mistake,
// such as slices of different length, never bad data.
package spc
