package study

import "embed"

// ownProfiles are families that only the study knows.
//
//go:embed profiles/*.yaml
var ownProfiles embed.FS
