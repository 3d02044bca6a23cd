// Package configs holds the files that ship with the program: the reference
// configuration and the profiles, embedded so that the demo needs no file.
package configs

import (
	"embed"
	"io/fs"
)

//go:embed profiles/*.yaml
var files embed.FS

// Profiles is the folder of shipped profiles.
func Profiles() fs.FS {
	sub, err := fs.Sub(files, "profiles")
	if err != nil {
		panic(err) // the folder is embedded, so this is a mistake in this file
	}
	return sub
}
