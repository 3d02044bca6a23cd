//go:build !unix

package app

func likeFolder(_, _ string) error { return nil }
