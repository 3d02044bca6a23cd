package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"time"

	"github.com/alexedwards/argon2id"
)

// BookFile is the name of the book in the data folder.
const BookFile = "access.json"

// Book is everybody who may see or do something. It is a file of its own beside
// the ledger, so that a command changes it while a watch holds the ledger; the
// watch follows it within a second. It holds no password and no token, only
// what proves them.
type Book struct {
	People []Person `json:"people,omitempty"`
	Links  []Key    `json:"links,omitempty"`  // of walls: they only view
	Tokens []Key    `json:"tokens,omitempty"` // of programs
}

// Person has a password.
type Person struct {
	Name string `json:"name"`
	Role Role   `json:"role"`
	Hash string `json:"hash"` // argon2id (RFC 9106) in PHC form
}

// Key is a long random text that somebody holds.
type Key struct {
	Name string    `json:"name"`
	Role Role      `json:"role"`
	Sum  string    `json:"sum"` // SHA-256 of the text, in hex
	Made time.Time `json:"made"`
}

// cost is OWASP's least for argon2id (from memory): 19 MiB, two passes.
var cost = &argon2id.Params{Memory: 19 * 1024, Iterations: 2, Parallelism: 1, SaltLength: 16, KeyLength: 32}

// The limits of a password, in bytes.
const (
	leastPassword = 10
	mostPassword  = 256
)

var goodName = regexp.MustCompile(`^[\p{L}\p{N}][\p{L}\p{N} ._-]{0,31}$`)

// CheckName says what is wrong with the name of a person, link or token.
func CheckName(name string) error {
	if !goodName.MatchString(name) || name[len(name)-1] == ' ' {
		return fmt.Errorf("the name %q must be at most 32 letters, digits, spaces, dots, hyphens or underscores, and begin with a letter or a digit", name)
	}
	return nil
}

// ParseRole reads view or work.
func ParseRole(text string) (Role, error) {
	if r := Role(text); r == View || r == Work {
		return r, nil
	}
	return "", fmt.Errorf("%q is no role: write view (sees everything, changes nothing) or work", text)
}

// Hash proves a password.
func Hash(password string) (string, error) {
	switch {
	case len(password) < leastPassword:
		return "", fmt.Errorf("this password is too short: give it at least %d letters, such as four words", leastPassword)
	case len(password) > mostPassword:
		return "", fmt.Errorf("this password is too long: %d letters at most", mostPassword)
	}
	return argon2id.CreateHash(password, cost)
}

// NewToken makes a text of 256 random bits, and what proves it.
func NewToken() (text, sum string) {
	text = "bv_" + rand.Text() + rand.Text()
	return text, sumOf(text)
}

func sumOf(token string) string {
	s := sha256.Sum256([]byte(token))
	return hex.EncodeToString(s[:])
}

func (b *Book) person(name string) *Person {
	if i := slices.IndexFunc(b.People, func(p Person) bool { return p.Name == name }); i >= 0 {
		return &b.People[i]
	}
	return nil
}

// holder finds the key that a text proves, nil for none.
func holder(keys []Key, text string) (found *Key) {
	sum := sumOf(text)
	for i := range keys {
		if subtle.ConstantTimeCompare([]byte(keys[i].Sum), []byte(sum)) == 1 {
			found = &keys[i]
		}
	}
	return found
}

// SetPerson adds a person, or gives one another role and password.
func (b *Book) SetPerson(p Person) {
	if old := b.person(p.Name); old != nil {
		*old = p
		return
	}
	b.People = append(b.People, p)
}

// RemovePerson reports whether there was one of that name.
func (b *Book) RemovePerson(name string) bool {
	n := len(b.People)
	b.People = slices.DeleteFunc(b.People, func(p Person) bool { return p.Name == name })
	return len(b.People) < n
}

// RemoveKey takes a key out of a list, and reports whether it was there.
func RemoveKey(keys *[]Key, name string) bool {
	n := len(*keys)
	*keys = slices.DeleteFunc(*keys, func(k Key) bool { return k.Name == name })
	return len(*keys) < n
}

// AddKey refuses a name that is there already.
func AddKey(keys *[]Key, k Key) error {
	if slices.ContainsFunc(*keys, func(o Key) bool { return o.Name == k.Name }) {
		return fmt.Errorf("there is one named %q already: revoke it first, or choose another name", k.Name)
	}
	*keys = append(*keys, k)
	return nil
}

// ReadBook reads a book; one that is not there is empty.
func ReadBook(path string) (b Book, err error) {
	text, err := os.ReadFile(path) //nolint:gosec // the user names the folder
	if errors.Is(err, fs.ErrNotExist) {
		return b, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &b)
	}
	if err != nil {
		return Book{}, fmt.Errorf("read who may log in from %s: %w", path, err)
	}
	return b, b.check(path)
}

func (b *Book) check(path string) error {
	for _, p := range b.People {
		if _, err := ParseRole(string(p.Role)); err != nil {
			return fmt.Errorf("%s: %s: %w", path, p.Name, err)
		}
		if _, _, _, err := argon2id.DecodeHash(p.Hash); err != nil {
			return fmt.Errorf("%s: the password of %s cannot be read: %w", path, p.Name, err)
		}
	}
	return nil
}

// ChangeBook reads the book, changes it, and puts it in its place at once: who
// reads meanwhile has the old or the new one. The new file is also what keeps
// two commands from changing it together.
func ChangeBook(path string, change func(*Book) error) (err error) {
	next := path + ".new"
	f, err := os.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600) //nolint:gosec // the user names the folder
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("another command is changing %s: try again; if there is none, delete %s", path, next)
	}
	if err != nil {
		return fmt.Errorf("change who may log in: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(next))
		}
	}()
	b, err := ReadBook(path)
	if err == nil {
		err = change(&b)
	}
	if err == nil {
		err = writeBook(f, b)
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err = os.Rename(next, path); err != nil {
		return fmt.Errorf("change who may log in: %w", err)
	}
	return syncFolder(filepath.Dir(path))
}

func writeBook(f *os.File, b Book) error {
	text, err := json.MarshalIndent(b, "", "  ")
	if err != nil {
		return err
	}
	if _, err := f.Write(append(text, '\n')); err != nil {
		return err
	}
	return f.Sync()
}

// syncFolder makes a new name last through a power cut.
func syncFolder(dir string) error {
	d, err := os.Open(dir) //nolint:gosec // the user names the folder
	if err != nil {
		return err
	}
	_ = d.Sync() // some systems cannot sync a folder
	return d.Close()
}
