// Package tolerance computes limits that hold a stated share of all units with a
// stated confidence, from a sample of them: what envelopes and acceptance of
// non-normal quantities rest on.
//
//	Factor, Limits   one quantity, normal: exact, or by the usual approximations
//	Ranks            one quantity, no distribution assumed: ranked values
//	Simultaneous     many correlated bands, normal: one factor for all together
//
// Coverage is the share of units within the limits, confidence the chance that a
// sample like this one gives limits that hold it. Two samples from the same line
// give different limits; of 100 such pairs at 95 % confidence about 5 hold less
// than the coverage. With lots of ten the factors are large and the result says so
// rather than hide it.
//
// The units are assumed independent, from one unchanged process. A drift within the
// sample makes the limits wide, not wrong in a way the numbers show: look at the
// chart first.
package tolerance
