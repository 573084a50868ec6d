// Package budget sets the limits of a whole board of charts so that all rules on all
// charts together cry wolf no more often than the maker asks for.
//
// A board of a hundred correlated charts, each read with eight run rules, would fire
// every few units if each chart had its textbook limits. Splitting the false alarms
// evenly over charts and rules (Bonferroni) keeps the promise but gives power away:
// neighbouring bands move together, and rules overlap. Calibrate finds, by simulation
// with the baseline's own correlation, the one chance per rule and point at which the
// board's mean run length to the first false alarm is the one asked for.
//
// # The uncertainty of a small baseline
//
// Two things are unknown after a baseline of 20 to 60 units, and both are simulated.
// Centre and sigma of every chart: each simulated board estimates them anew from a
// simulated baseline of the same size, in the same way as the flow does. The
// correlation: simulated units are random mixtures, with independent standard normal
// weights, of the baseline units' standardised deviations (the Gaussian multiplier
// bootstrap of Chernozhukov, Chetverikov and Kato, Annals of Statistics 41 (2013)
// 2786-2819). It needs no inverse, so that more streams than units do no harm: how
// often the largest of many values crosses a far limit depends on the strong
// correlations, which few units suffice to show, and hardly on the weak ones.
//
// Streams are not quite normal either. Far limits depend greatly on skewness, so what the
// baseline tells of each stream's skewness, and what it leaves open, goes into the
// simulated units too (skewness.go). Tails longer than skewness tells are not seen: with
// log-normal streams nobody knows of, boards run 0.55 to 0.62 of what was asked
// (testdata/study.txt).
//
// # What is promised
//
// The mean, over baselines of that size and over the future, of the number of units to
// the first false alarm, while units are independent of each other. Limits from a small
// baseline are lucky or unlucky: single boards differ, and Result says by how much.
package budget
