//go:build !unix

package app

// handOver does nothing where files have no owner by number.
func handOver(string) error { return nil }
