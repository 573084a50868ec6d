// Package pairing chooses which loudspeaker drivers go together into one pair of
// headphones.
//
// Every driver may go with every other (Match), or every left cup with every right
// cup (Assign). Two may be paired when their mismatch is within the tolerance. The
// answer is exact: as many pairs as any choice can have, and among those choices
// the least total mismatch. Taking the closest two first, then the next, is not
// exact and loses pairs.
//
//	Mismatches   curves of drivers → table of mismatches
//	Match        table → pairs, any with any
//	Assign       left and right → pairs
//	Curve        pairs and total for a row of tolerances: what a tighter one costs
//	PerHundred   pairs per hundred from pools of the drivers at hand
//	Expect       pairs to expect from a purchase of drivers like those measured
//	ToBuy        how many to buy for so many pairs, with a stated confidence
//
// # Method
//
// Maximum-weight matching in a general graph by Edmonds' blossoms in the
// primal-dual form with O(n³) steps (Edmonds, J. Res. NBS 69B (1965) 125-130;
// Galil, ACM Computing Surveys 18 (1986) 23-38; from memory), on the weights K-c
// with K larger than all mismatches together, so that one more pair outweighs any
// saving. Mismatches are scaled to integers of about 44 bits first: the search is
// then free of rounding, and the total is least to within n·2⁻⁴⁵ of the largest
// mismatch. Which of several equally good answers is given is not defined, but the
// same table always gives the same one.
//
// Large tables are searched on the closest neighbours of each driver first; the
// dual solution then shows which left-out pairs could still matter, and these are
// added until none can. The answer is the optimum of the whole table all the same.
package pairing
