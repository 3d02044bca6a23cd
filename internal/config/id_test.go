package config_test

import (
	"testing"

	"benchvigil/internal/config"
)

func TestCheckID(t *testing.T) {
	for id, ok := range map[string]bool{"left-1": true, "7": true, "": false, "Left": false, "-a": false, "a b": false} {
		if err := config.CheckID(id); (err == nil) != ok {
			t.Errorf("CheckID(%q) = %v", id, err)
		}
	}
}
