// Package plot writes pictures as SVG from plain numbers, and holds what the
// pictures of a page, a file and a spreadsheet have in common: axes, colours,
// signs and which curves of a lot are drawn.
//
//   - Envelope: deviation over frequency, every unit's curve against the limits.
//   - Control: one stream on its individuals chart, the moving range below.
//   - OfLot: the choice of curves for one channel of a lot.
//   - Rules: the marks of a chart, gathered by rule and numbered.
//
// Pictures have a white ground, use presentation attributes only (a page that
// forbids inline styles can embed them), name no font file, carry a title and a
// description for readers who cannot see them, and are the same bytes for the
// same input. A value that is NaN or infinite is a gap in its line. Whatever a
// colour says, a word or a shape says too.
package plot
