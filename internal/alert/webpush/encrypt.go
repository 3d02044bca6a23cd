package webpush

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
)

// Sizes. Push services must take bodies of 4096 bytes, and need not take more
// (RFC 8030 §7.2).
const (
	mostBody  = 4096
	header    = 16 + 4 + 1 + 65 // salt, size of records, length of the key, key
	overhead  = 16 + 1          // tag, delimiter
	mostPlain = mostBody - header - overhead
	paddedTo  = 1024 // lengths are multiples of it, so that they tell little
)

// receiver is what a browser gives to encrypt for it.
type receiver struct {
	public *ecdh.PublicKey
	auth   []byte // 16 bytes that only the browser and this bench know
}

// seal encrypts for a receiver with a key pair and a salt that are used once
// (RFC 8291 §3), padded with as many zeros.
func seal(plain []byte, to receiver, once *ecdh.PrivateKey, salt []byte, padding int) ([]byte, error) {
	shared, err := once.ECDH(to.public)
	if err != nil {
		return nil, fmt.Errorf("agree on a key: %w", err)
	}
	mine := once.PublicKey().Bytes()
	info := "WebPush: info\x00" + string(to.public.Bytes()) + string(mine)
	secret, err := hkdf.Key(sha256.New, shared, to.auth, info, sha256.Size)
	if err != nil {
		return nil, fmt.Errorf("derive a key: %w", err)
	}
	return encode(plain, secret, salt, mine, padding)
}

// encode is the content coding aes128gcm (RFC 8188 §2) with one record.
func encode(plain, secret, salt, keyID []byte, padding int) ([]byte, error) {
	c, nonce, err := recordCipher(secret, salt)
	if err != nil {
		return nil, err
	}
	body := append(make([]byte, 0, mostBody), salt...)
	body = binary.BigEndian.AppendUint32(body, mostBody)
	body = append(append(body, byte(len(keyID))), keyID...)
	record := append(append([]byte{}, plain...), 2) // the delimiter of the last record
	record = append(record, make([]byte, padding)...)
	return c.Seal(body, nonce, record, nil), nil
}

// recordCipher is the cipher of the first record and its nonce.
func recordCipher(secret, salt []byte) (cipher.AEAD, []byte, error) {
	key, err := hkdf.Key(sha256.New, secret, salt, "Content-Encoding: aes128gcm\x00", 16)
	if err != nil {
		return nil, nil, fmt.Errorf("derive the key of the content: %w", err)
	}
	nonce, err := hkdf.Key(sha256.New, secret, salt, "Content-Encoding: nonce\x00", 12)
	if err != nil {
		return nil, nil, fmt.Errorf("derive the nonce: %w", err)
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, nil, fmt.Errorf("encrypt: %w", err)
	}
	c, err := cipher.NewGCM(block)
	if err != nil {
		return nil, nil, fmt.Errorf("encrypt: %w", err)
	}
	return c, nonce, nil
}

// paddingFor fills up to the next multiple, or to the most that fits.
func paddingFor(plain int) int {
	return min((plain+paddedTo-1)/paddedTo*paddedTo, mostPlain) - plain
}
