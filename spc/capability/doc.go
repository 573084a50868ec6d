// Package capability relates the spread of a measured quantity to its limits: Cp,
// Cpk, Pp, Ppk and Cpm with intervals, and a test of normality beside them.
//
// # Which standard deviation
//
// Pp and Ppk use the overall standard deviation s (divisor n-1). Cp and Cpk use the
// spread within subgroups, mean range over d2, when subgroups are given, or the mean
// moving range over d2 when that is asked for. For a plain list of values with
// neither, Cp and Cpk use s too and equal Pp and Ppk: a list need not be in the
// order of production, where a moving range would mean nothing, and the handbook
// formulas that people check against (NIST/SEMATECH e-Handbook 6.1.6) take s with
// n-1 degrees of freedom. The result says so.
//
// # What a verdict may use
//
// An estimate from ten units is worth little: an estimated Cpk of 1.33 from ten
// units is compatible with a true one of 0.8. Every result therefore carries
// AtLeast, the value that Cpk exceeds with the stated confidence, and this is what a
// verdict compares with the requirement.
//
// All indices assume independent values of a stable, normal process. Values that do
// not look normal give a warning, never a silent transform; package tolerance has
// limits by rank that assume no distribution.
package capability
