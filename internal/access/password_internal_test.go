package access

import (
	"encoding/hex"
	"testing"

	"golang.org/x/crypto/argon2"
)

// The function that passwords go through is Argon2id: a vector of the reference
// implementation's own tests (src/test.c, version 0x13, t=2, m=2^16, p=1; from
// memory).
func TestArgon2id(t *testing.T) {
	got := hex.EncodeToString(argon2.IDKey([]byte("password"), []byte("somesalt"), 2, 1<<16, 1, 32))
	if want := "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// A guess costs at least what OWASP's Password Storage Cheat Sheet asks of
// Argon2id: 19 MiB, two passes, one lane.
func TestCost(t *testing.T) {
	if cost.Memory < 19*1024 || cost.Iterations < 2 || cost.Parallelism < 1 || cost.SaltLength < 16 || cost.KeyLength < 16 {
		t.Errorf("%+v is less", cost)
	}
}
