// Package browser holds only tests: that a real browser shows what is pushed,
// reports it and takes answers. They run where there is a Chromium, in the path
// or named by BENCHVIGIL_CHROMIUM, and run by make test-browser alone.
package browser
