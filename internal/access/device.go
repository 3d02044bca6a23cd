package access

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"strings"
	"time"
)

// devices proves that a browser was logged in with before. A proof opens
// nothing; it only keeps strangers' failures from slowing this browser down.
type devices struct {
	secret []byte
}

// keptDevices is the kind under which the secret is kept.
const keptDevices = "device"

// newDevices takes up the secret that is kept, else makes one.
func newDevices(ctx context.Context, k Keeper) (devices, error) {
	if k == nil {
		return devices{fresh(32)}, nil
	}
	kept, err := k.Kept(ctx, keptDevices)
	if err != nil {
		return devices{}, err
	}
	if secret, err := base64.RawURLEncoding.DecodeString(kept["secret"]); err == nil && len(secret) == 32 {
		return devices{secret}, nil
	}
	d := devices{fresh(32)}
	return d, k.Keep(ctx, keptDevices, "secret", base64.RawURLEncoding.EncodeToString(d.secret))
}

func fresh(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails (crypto/rand)
	return b
}

// seal binds a nonce to a name.
func (d devices) seal(nonce, name string) string {
	h := hmac.New(sha256.New, d.secret)
	h.Write([]byte(nonce + " " + strings.ToLower(name))) // a hash takes everything
	return base64.RawURLEncoding.EncodeToString(h.Sum(nil))
}

// know gives the browser its proof for that name.
func (d devices) know(w http.ResponseWriter, name string) {
	nonce := base64.RawURLEncoding.EncodeToString(fresh(16))
	http.SetCookie(w, &http.Cookie{
		Name: deviceCookie, Value: nonce + "." + d.seal(nonce, name), Path: "/", MaxAge: int(longestCookie / time.Second),
		Secure: true, HttpOnly: true, SameSite: http.SameSiteLaxMode,
	})
}

// known is the nonce of a browser that this name was logged in with before.
func (d devices) known(r *http.Request, name string) (nonce string, ok bool) {
	c, err := r.Cookie(deviceCookie)
	if err != nil {
		return "", false
	}
	nonce, seal, _ := strings.Cut(c.Value, ".")
	return nonce, hmac.Equal([]byte(seal), []byte(d.seal(nonce, name)))
}
