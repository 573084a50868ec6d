// Package sim is a simulated workshop that builds closed over-ear headphones:
// takes, part batches and known troubles for the demonstration and for tests.
//
// # From physics to files
//
//  1. Params is a lumped-element model of one cup, its driver and the ear: what
//     the fault functions change is a physical part, not a curve.
//  2. TB40 is the product: a target, a voiced design curve, two cups that differ
//     on purpose, and the spread of every part.
//  3. Draw makes a Unit; Unit.Curve measures one channel at one seating.
//  4. New tells the story of six weekly lots, with a Truth for tests.
//  5. Story.Takes hands the takes over one by one; Story.Write writes them as a
//     workshop's measuring programs would, with manifests and a parts list.
//  6. Options.Drifts let the rig itself change, and Story.CheckTakes measures
//     reference units on it. SecondRig reads otherwise; Story.WriteRig writes checks,
//     a gauge study and a comparison of both rigs.
//
// Everything is invented and plausible; nothing was measured. A story depends on
// its Options alone. Each random stream has the seed, lot, unit, channel and
// seating in its key, so that a longer lot leaves the units before it unchanged.
//
// # Safety
//
// The simulated rig drives a unit to 108 to 110 dB SPL at 1 kHz at the ear, and to
// 116 dB near 2.7 kHz. A real rig at that level can harm hearing within minutes: a
// unit is never worn while a sweep can start, and goes onto the rig before the
// drive is enabled.
package sim
