// Package certificate writes the certificates of units as PDF, an A5 page each.
//
// The same certificates give the same bytes. The type is the Go fonts, which have Latin,
// Greek and Cyrillic letters; what they lack shows as an empty box.
package certificate
