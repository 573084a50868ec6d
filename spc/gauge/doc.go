// Package gauge asks how much of the spread of readings comes from the measuring
// itself: the rig, the seating and the person, against the units.
//
// A study is a balanced set of readings. Crossed: every operator measures every
// part the same number of times. Nested: every operator has parts of their own
// (a test that changes the part, or sites that cannot swap parts). One operator
// alone gives repeatability only.
//
//	reading = mean + part + operator + part×operator + repeatability
//
// All four effects are taken as random, normal and independent. Mean squares are
// turned into variances by their expectations (Montgomery and Runger, Quality
// Engineering 6 (1993) 115-135 and 289-305, from memory; the same method as in the
// trade's measurement-systems manuals).
//
// Values may be in any unit, dB for bands and metrics; variances are in its
// square. With r seatings averaged only repeatability falls, see Study.SigmaFor.
//
// Limits of use: balanced data only; the parts should span what the line makes,
// because "percent of study" compares with them; with two or three operators the
// interval of everything that contains the operator is wide, and says so.
package gauge
