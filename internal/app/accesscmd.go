package app

import (
	"fmt"
	"net"
	"path/filepath"
	"time"

	"benchvigil/internal/access"
)

// CheckAccess says what is wrong with a name or a role.
func CheckAccess(name, role string) error {
	if err := access.CheckName(name); err != nil {
		return err
	}
	_, err := access.ParseRole(role)
	return err
}

// SetPerson enters a person, or gives one a new password and role.
func SetPerson(data, name, role, password string) error {
	hash, err := access.Hash(password)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrCommand, err)
	}
	return ChangeAccess(data, func(b *access.Book) error {
		b.SetPerson(access.Person{Name: name, Role: access.Role(role), Hash: hash})
		return nil
	})
}

// keysOf are the links or the tokens.
func keysOf(b *access.Book, what string) *[]access.Key {
	if what == "link" {
		return &b.Links
	}
	return &b.Tokens
}

// AddKey makes a link or a token, and returns the text that is it.
func AddKey(data, what, name, role string, now time.Time) (text string, err error) {
	text, sum := access.NewToken()
	return text, ChangeAccess(data, func(b *access.Book) error {
		return access.AddKey(keysOf(b, what), access.Key{Name: name, Role: access.Role(role), Sum: sum, Made: now.UTC().Truncate(time.Second)})
	})
}

// RemoveAccess takes a user, link or token away.
func RemoveAccess(data, what, name string) error {
	return ChangeAccess(data, func(b *access.Book) error {
		if what == "user" && b.RemovePerson(name) || what != "user" && access.RemoveKey(keysOf(b, what), name) {
			return nil
		}
		return fmt.Errorf("there is no %s named %q", what, name)
	})
}

// ListAccess lists users, links or tokens, one row each.
func ListAccess(data, what string) (rows [][]string, err error) {
	b, err := ReadAccess(data)
	if err != nil {
		return nil, err
	}
	if what == "user" {
		for _, p := range b.People {
			rows = append(rows, []string{p.Name, string(p.Role)})
		}
		return rows, nil
	}
	for _, k := range *keysOf(&b, what) {
		rows = append(rows, []string{k.Name, string(k.Role), "made " + k.Made.Local().Format(time.DateTime)})
	}
	return rows, nil
}

// MakeCertificate makes a certificate for a bench in a folder.
func MakeCertificate(dir string, names []string, addresses []net.IP, now time.Time) error {
	files := []string{filepath.Join(dir, access.LeafFile), filepath.Join(dir, access.LeafKeyFile)}
	keep := ownersOf(files, serviceFolder)
	if err := access.MakeCertificate(dir, names, addresses, now); err != nil {
		return fmt.Errorf("%w: make a certificate: %w", ErrCommand, err)
	}
	return keep()
}
