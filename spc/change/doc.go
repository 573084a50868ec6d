// Package change says when a stream of values moved to another level, how sure
// that is, and whether it moved in one step or drifted.
//
// A split after value k takes the values up to k to lie at one level and those
// from k+1 on at another; an index counts from 1 and names the first value after
// the change. Values are independent and, for one stream, normal with one standard
// deviation, which may be known; neighbours that hang together make every answer
// here too sure, and a warning says when they do. The level before may be known
// (a frozen limit set) or not (the values themselves must show it).
//
//	Find       one stream: the split, its levels, a confidence set, a test
//	Shape      one stream: step against drift
//	FindJoint  one step in many bands together
//
// # The confidence set
//
// Split k is in the set when the data do not contradict it: given the change at k,
// the means of the two segments (and the sum of squares within, when sigma is not
// known) are sufficient, so what is left of the data has a known distribution
// whatever the levels are. From it many data sets are drawn, and k is left out
// when too few of them have a best split that beats k by as much as in the data.
// This likelihood-ratio test of every k is exact at any size of step and sample
// (Worsley, Biometrika 73 (1986) 91-104; Siegmund, Int. Statist. Rev. 56 (1988)
// 31-48; from memory), so the set holds the true split with at least the stated
// confidence; it need not be one run of indices, and for small steps it is wide.
//
// Draws come from a seeded generator: the same data give the same answer.
package change
