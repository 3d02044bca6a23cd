// Package browser holds only tests: the program as shipped, and what a real
// browser makes of its pages. They run where there is a Chromium, in the path or
// named by BENCHVIGIL_CHROMIUM, and run by make test-browser alone.
package browser
