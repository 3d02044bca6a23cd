// Package house holds the tests that keep the building in shape: which package
// may import which, what the pure packages may not do, and what may lie where
// in the repository. The rules are tables, each row with its reason; the
// checks are functions on plain data, tried on planted faults before they are
// believed. The package has no code of its own and nothing imports it.
//
// To add a package, add its row to rooms. To break a rule, change the row and
// its reason, and let the review decide.
package house
