//go:build !unix

package enroll

// mayWrite does not know here; the writing itself tells.
func mayWrite(string) error { return nil }
