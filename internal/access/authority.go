package access

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"time"
)

// The files of MakeCertificate.
const (
	AuthorityFile = "authority.pem"
	authorityKey  = "authority.key"
	LeafFile      = "bench.pem"
	LeafKeyFile   = "bench.key"
)

// The lives of certificates. Phones refuse leaves of more than 398 days.
const (
	authorityLife = 10 * 366 * 24 * time.Hour
	leafLife      = 397 * 24 * time.Hour
)

// MakeCertificate makes a certificate for names and addresses in a folder, and
// the authority that signs it where there is none yet. The authority can sign
// for these names alone, so that who steals it can play no other site.
func MakeCertificate(dir string, names []string, addresses []net.IP, now time.Time) error {
	if len(names)+len(addresses) == 0 {
		return ErrNames
	}
	if err := os.MkdirAll(dir, 0o711); err != nil { // the service goes through it to its own files
		return err
	}
	ca, caKey, err := authority(dir, names, addresses, now)
	if err != nil {
		return err
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	leaf := &x509.Certificate{
		Subject: pkix.Name{CommonName: "benchvigil"}, DNSNames: names, IPAddresses: addresses,
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(leafLife - time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, leaf, ca, key.Public(), caKey)
	if err != nil {
		return err
	}
	made, err := x509.ParseCertificate(der)
	if err != nil {
		return err
	}
	pool := x509.NewCertPool()
	pool.AddCert(ca)
	if _, err := made.Verify(x509.VerifyOptions{Roots: pool, CurrentTime: now}); err != nil {
		return fmt.Errorf("the authority in %s cannot sign for these names: %w: move its files away to make another, which phones have to trust anew", dir, err)
	}
	if err := writeKey(filepath.Join(dir, LeafKeyFile), key); err != nil {
		return err
	}
	return writePEM(filepath.Join(dir, LeafFile), "CERTIFICATE", der)
}

func authority(dir string, names []string, addresses []net.IP, now time.Time) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	ca, key, err := readAuthority(dir)
	if err == nil || !errors.Is(err, fs.ErrNotExist) {
		return ca, key, err
	}
	if key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
		return nil, nil, err
	}
	t := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "benchvigil authority of this bench"},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(authorityLife),
		KeyUsage: x509.KeyUsageCertSign, BasicConstraintsValid: true, IsCA: true, MaxPathLenZero: true,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: names, PermittedIPRanges: ranges(addresses),
	}
	// A kind of name without any permitted is forbidden as a whole (RFC 5280, 4.2.1.10).
	if len(names) == 0 {
		t.ExcludedDNSDomains = []string{""}
	}
	if len(addresses) == 0 {
		t.ExcludedIPRanges = []*net.IPNet{{IP: net.IPv4zero.To4(), Mask: net.CIDRMask(0, 32)}, {IP: net.IPv6zero, Mask: net.CIDRMask(0, 128)}}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, key.Public(), key)
	if err != nil {
		return nil, nil, err
	}
	if err := writeKey(filepath.Join(dir, authorityKey), key); err != nil {
		return nil, nil, err
	}
	if err := writePEM(filepath.Join(dir, AuthorityFile), "CERTIFICATE", der); err != nil {
		return nil, nil, err
	}
	ca, err = x509.ParseCertificate(der)
	return ca, key, err
}

func ranges(addresses []net.IP) (out []*net.IPNet) {
	for _, ip := range addresses {
		if v4 := ip.To4(); v4 != nil {
			ip = v4
		}
		out = append(out, &net.IPNet{IP: ip, Mask: net.CIDRMask(8*len(ip), 8*len(ip))})
	}
	return out
}

func readAuthority(dir string) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	cert, err := readPEM(filepath.Join(dir, AuthorityFile))
	if err != nil {
		return nil, nil, err
	}
	raw, err := readPEM(filepath.Join(dir, authorityKey))
	if err != nil {
		return nil, nil, fmt.Errorf("the authority has no key: move %s away to make another: %v", AuthorityFile, err) //nolint:errorlint // it must not be taken for a folder without authority
	}
	ca, err := x509.ParseCertificate(cert)
	if err != nil {
		return nil, nil, err
	}
	key, err := x509.ParsePKCS8PrivateKey(raw)
	if err != nil {
		return nil, nil, err
	}
	ec, ok := key.(*ecdsa.PrivateKey)
	if !ok {
		return nil, nil, errors.New("the authority's key is of another kind than this program makes")
	}
	return ca, ec, nil
}

func readPEM(path string) ([]byte, error) {
	text, err := os.ReadFile(path) //nolint:gosec // the user names the folder
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, fmt.Errorf("%s is no PEM file", path)
	}
	return block.Bytes, nil
}

func writeKey(path string, key *ecdsa.PrivateKey) error {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	return writePEM(path, "PRIVATE KEY", der)
}

// writePEM puts a file in its place at once, for its owner's eyes alone.
func writePEM(path, kind string, der []byte) error {
	next := path + ".new"
	if err := os.WriteFile(next, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		return err
	}
	return os.Rename(next, path)
}
