// Package browsertest holds the tests of the pages in a real browser, Chromium without
// a window: every page at the width of a desk and of a phone, without scrolling
// sideways, without an error in the console and without a serious fault for those who
// cannot see or use a mouse; and the ways through the pages that the line depends on.
//
// Where there is no Chromium the tests do not run and say so; with
// ALIKE_BROWSER=required, as .ci/run sets it, that is a failure. ALIKE_BROWSER may also
// name the program.
//
// Pictures of every page go to the folder out/pages, which git ignores: look at them
// after a change.
package browsertest
