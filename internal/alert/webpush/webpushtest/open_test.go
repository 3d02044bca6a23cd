package webpushtest_test

import (
	"crypto/ecdh"
	"encoding/base64"
	"testing"

	"benchvigil/internal/alert/webpush/webpushtest"
)

func bytesOf(t testing.TB, text string) []byte {
	t.Helper()
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// RFC 8188 §3.1 and §3.2, the second of two records.
func TestDecode(t *testing.T) {
	for _, c := range []struct{ name, ikm, body string }{
		{"3.1", "yqdlZ-tYemfogSmv7Ws5PQ", "I1BsxtFttlv3u_Oo94xnmwAAEAAA-NAVub2qFgBEuQKRapoZu-IxkIva3MEB1PD-ly8Thjg"},
		{"3.2", "BO3ZVPxUlnLORbVGMpbT1Q", "uNCkWiNYzKTnBN9ji3-qWAAAABkCYTHOG8chz_gnvgOqdGYovxyjuqRyJFjEDyoF1Fvkj6hQPdPHI51OEUKEpgz3SsLWIqS_uA"},
	} {
		got, err := webpushtest.Decode(bytesOf(t, c.body), bytesOf(t, c.ikm))
		if err != nil || string(got) != "I am the walrus" {
			t.Errorf("%s: %q, %v", c.name, got, err)
		}
	}
}

const (
	private = "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"
	secret  = "BTBZMqHH6r4Tts7J_aSIgg"
	message = "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
)

// RFC 8291 §5.
func TestOpen(t *testing.T) {
	mine, err := ecdh.P256().NewPrivateKey(bytesOf(t, private))
	if err != nil {
		t.Fatal(err)
	}
	body, auth := bytesOf(t, message), bytesOf(t, secret)
	got, err := webpushtest.Open(body, mine, auth)
	if err != nil || string(got) != "When I grow up, I want to be a watermelon" {
		t.Errorf("%q, %v", got, err)
	}
	for i := range body {
		body[i] ^= 1
		if got, err := webpushtest.Open(body, mine, auth); err == nil && (i < 16 || i > 19) { // another size of records changes nothing here
			t.Errorf("with a bit of byte %d flipped it opens: %q", i, got)
		}
		body[i] ^= 1
	}
}

func FuzzOpen(f *testing.F) {
	mine, err := ecdh.P256().NewPrivateKey(bytesOf(f, private))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(bytesOf(f, message))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, body []byte) {
		if got, err := webpushtest.Open(body, mine, bytesOf(t, secret)); err == nil && len(got) >= len(body) {
			t.Errorf("%d bytes hold %d", len(body), len(got))
		}
	})
}
