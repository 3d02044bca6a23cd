package webpushtest

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
)

// Open decrypts a push message as a browser does (RFC 8291 §3).
func Open(body []byte, mine *ecdh.PrivateKey, auth []byte) ([]byte, error) {
	h, _, err := split(body)
	if err != nil {
		return nil, err
	}
	sender, err := ecdh.P256().NewPublicKey(h.keyID)
	if err != nil {
		return nil, fmt.Errorf("keyid: %w", err)
	}
	shared, err := mine.ECDH(sender)
	if err != nil {
		return nil, err
	}
	prk := mac(auth, shared)
	info := append([]byte("WebPush: info\x00"), mine.PublicKey().Bytes()...)
	info = append(append(info, h.keyID...), 1)
	if len(body)-h.size > int(h.record) { //nolint:gosec // it has 32 bits
		return nil, errors.New("more than one record: RFC 8291 §4 allows one")
	}
	return Decode(body, mac(prk, info))
}

// head is the header of the content coding (RFC 8188 §2.1).
type head struct {
	salt   []byte
	record uint32 // size of a record
	keyID  []byte
	size   int // of the header
}

func split(body []byte) (h head, rest []byte, err error) {
	if len(body) < 21 || len(body) < 21+int(body[20]) {
		return h, nil, errors.New("shorter than its header")
	}
	h = head{body[:16], binary.BigEndian.Uint32(body[16:20]), body[21 : 21+int(body[20])], 21 + int(body[20])}
	if h.record < 18 {
		return h, nil, fmt.Errorf("records of %d bytes", h.record)
	}
	return h, body[h.size:], nil
}

// Decode undoes the content coding aes128gcm (RFC 8188 §2) with its input
// keying material.
func Decode(body, ikm []byte) ([]byte, error) {
	h, rest, err := split(body)
	if err != nil {
		return nil, err
	}
	prk := mac(h.salt, ikm)
	block, err := aes.NewCipher(mac(prk, []byte("Content-Encoding: aes128gcm\x00\x01"))[:16])
	if err != nil {
		return nil, err
	}
	c, err := cipher.NewGCM(block)
	if err != nil {
		return nil, err
	}
	base := mac(prk, []byte("Content-Encoding: nonce\x00\x01"))[:12]
	var plain []byte
	for n := uint64(0); ; n++ {
		size := min(len(rest), int(h.record)) //nolint:gosec // it has 32 bits
		text, last, err := record(c, nonce(base, n), rest[:size])
		if err != nil {
			return nil, fmt.Errorf("record %d: %w", n, err)
		}
		plain, rest = append(plain, text...), rest[size:]
		if last != (len(rest) == 0) {
			return nil, fmt.Errorf("record %d: its delimiter does not fit its place", n)
		}
		if last {
			return plain, nil
		}
	}
}

// nonce of a record: its number added bit by bit.
func nonce(base []byte, n uint64) []byte {
	out := append([]byte{}, base...)
	binary.BigEndian.PutUint64(out[4:], binary.BigEndian.Uint64(out[4:])^n)
	return out
}

// record decrypts one and takes its padding off.
func record(c cipher.AEAD, nonce, text []byte) (plain []byte, last bool, err error) {
	plain, err = c.Open(nil, nonce, text, nil)
	if err != nil {
		return nil, false, err
	}
	for i := len(plain) - 1; i >= 0; i-- {
		switch plain[i] {
		case 0:
		case 1, 2:
			return plain[:i], plain[i] == 2, nil
		default:
			return nil, false, errors.New("no delimiter")
		}
	}
	return nil, false, errors.New("only padding")
}

// mac is HMAC-SHA-256: one step of HKDF (RFC 5869).
func mac(key, text []byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write(text)
	return h.Sum(nil)
}
