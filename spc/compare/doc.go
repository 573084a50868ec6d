// Package compare asks whether batches of parts, or suppliers, differ: by how much
// in the middle and in the spread, how sure that is, and whether they may be used
// as one.
//
//	OneWay     one value per unit, any number of groups: means, spreads, pairs
//	Curves     many bands per unit: one permutation test over all bands first,
//	           then every band with Holm's adjustment
//	Welch      two groups, from their summaries; Pooled with one spread
//	Equivalent two one-sided tests against a margin
//	Holm       p-values adjusted for being many
//
// This package is opinionated about words. That no difference was found does not
// mean that there is none: only an interval inside a stated margin says that two
// groups are equivalent, and a conclusion claims that or states how large the
// difference may still be.
//
// Values are in any unit, dB for levels; units within a group are independent and
// about normal. The tests of means bear moderate departures from normality when
// groups are of ten or more.
package compare
