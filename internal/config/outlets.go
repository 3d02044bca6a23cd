package config

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"net/mail"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	texttemplate "text/template/parse"
	"unicode"
)

// outletKeys are the keys that an outlet of each kind has beside those of all.
var outletKeys = map[OutletKind][]string{
	WebPush:      {},
	Webhook:      {"url", "url_file", "secret", "secret_file", "headers"},
	Email:        {"server", "user", "password", "password_file", "from", "to", "tls"},
	Alertmanager: {"url", "url_file", "headers"},
	Publish:      {"url", "url_file", "method", "headers", "body"},
	Service:      {"url", "url_file"},
}

var keysOfAllOutlets = []string{"kind", "timeout", "per_minute"}

// outlets reads the ways to people. Without any there is one: the phones that
// subscribed.
func (c *checker) outlets(raws []rawOutlet) (out []Outlet) {
	for _, raw := range raws {
		out = append(out, c.outlet("outlets."+word(raw.Name), raw))
	}
	if len(raws) == 0 && !c.blamed["outlets"] {
		out = append(out, Outlet{Name: DefaultOutlet, Kind: WebPush, Timeout: DefaultDelivery, PerMinute: DefaultPerMinute})
	}
	return out
}

func (c *checker) outlet(path string, raw rawOutlet) Outlet {
	o := Outlet{
		Name:      c.label(path, raw.Name),
		Kind:      OutletKind(raw.Kind),
		Timeout:   c.duration(path+".timeout", cmp.Or(raw.Timeout, short(DefaultDelivery)), minDelivery, maxDelivery),
		PerMinute: c.count(path+".per_minute", cmp.Or(raw.PerMinute, strconv.Itoa(DefaultPerMinute)), maxPerMinute),
	}
	if !c.outletKind(path, raw) {
		return o
	}
	switch o.Kind {
	case Webhook, Alertmanager, Publish, Service:
		c.posted(path, raw, &o)
	case Email:
		c.mailed(path, raw, &o)
	case WebPush:
		c.pushed = path
	}
	return o
}

// outletKind checks the kind, and that no key is there that it does not have.
func (c *checker) outletKind(path string, raw rawOutlet) bool {
	if raw.Kind == "" {
		c.missing(path+".kind", "say how it reaches people, one of %s", join(OutletKinds()))
		return false
	}
	known, ok := outletKeys[OutletKind(raw.Kind)]
	if !ok {
		c.fail(path+".kind", "%q is no kind of outlet: %s", raw.Kind, hint(raw.Kind, words(OutletKinds())))
		return false
	}
	known = append(slices.Clone(keysOfAllOutlets), known...)
	v := reflect.ValueOf(raw)
	for i := range v.NumField() {
		key := v.Type().Field(i).Tag.Get("mapstructure")
		if !v.Field(i).IsZero() && key != entryName && !slices.Contains(known, key) {
			c.fail(path+"."+key, "an outlet of kind %s has no %s: remove it; it has %s", raw.Kind, key, strings.Join(known, ", "))
		}
	}
	return true
}

// posted reads an outlet that has an address.
func (c *checker) posted(path string, raw rawOutlet, o *Outlet) {
	at := path + ".url"
	if raw.URLFile != "" {
		at = path + ".url_file"
	}
	o.URL = c.secret(path, "url", raw.URL, raw.URLFile)
	switch {
	case o.URL == "" && !c.blamed[path+".url"] && !c.blamed[path+".url_file"]:
		c.missing(path+".url", "say where it is, such as https://hook.example/alerts, or name a file that says so as url_file")
	case o.URL == "": // reported
	case o.Kind == Service:
		c.serviceURL(at, o.URL)
	default:
		c.webURL(at, o.URL)
	}
	o.Secret = c.secret(path, "secret", raw.Secret, raw.SecretFile)
	o.Headers = c.headers(path+".headers", raw.Headers)
	if o.Kind == Publish {
		o.Method = c.oneOf(path+".method", cmp.Or(raw.Method, DefaultMethod), "POST", "PUT")
		o.Body = c.template(path+".body", raw.Body)
	}
}

// mailed reads an outlet that sends mail.
func (c *checker) mailed(path string, raw rawOutlet, o *Outlet) {
	if raw.Server == "" {
		c.missing(path+".server", "say which server takes the mail, such as mail.example:587")
	} else {
		o.Server = c.server(path+".server", raw.Server)
	}
	o.User = raw.User
	o.Password = c.secret(path, "password", raw.Password, raw.PasswordFile)
	given := raw.Password != "" || raw.PasswordFile != ""
	switch {
	case o.User != "" && !given:
		c.missing(path+".password", "the user needs one: write it, or name a file that holds it as password_file")
	case o.User == "" && given:
		c.missing(path+".user", "a password alone is no login: write the user too, or remove it")
	}
	if raw.From == "" {
		c.missing(path+".from", "say whom the mail is from, such as bench@shop.example")
	} else {
		o.From = c.mailAddress(path+".from", raw.From)
	}
	if len(raw.To) == 0 {
		c.missing(path+".to", "say whom the mail goes to, such as [kim@shop.example]")
	}
	c.each(path+".to", raw.To, func(at, text string) { o.To = append(o.To, c.mailAddress(at, text)) })
	o.PlainTLS = c.oneOf(path+".tls", cmp.Or(raw.TLS, tlsRequired), tlsRequired, tlsNone) == tlsNone
	if o.PlainTLS && given {
		c.fail(path+".tls", "without TLS the password would be readable on the way: write %s, or remove user and password", tlsRequired)
	}
}

// The words for whether mail is sent encrypted.
const (
	tlsRequired = "required"
	tlsNone     = "none"
)

// webURL checks an address that may hold a token, so it is never repeated.
func (c *checker) webURL(path string, text Secret) {
	if err := checkWebURL(text.Reveal()); err != nil {
		c.fail(path, "%v: write an absolute address, such as https://hook.example/alerts", err)
	}
}

func checkWebURL(text string) error {
	u, err := url.Parse(text)
	switch {
	case err != nil:
		return errors.New("it cannot be read as an address")
	case u.Scheme != "http" && u.Scheme != "https":
		return errors.New("it does not start with https:// or http://")
	case u.Hostname() == "":
		return errors.New("the host is missing")
	case strings.HasSuffix(u.Path, "/…"):
		return errors.New(`"…" only stands for the rest of it where a configuration is shown`)
	case u.Fragment != "":
		return errors.New(`what comes after "#" is never sent`)
	}
	return nil
}

// serviceURL checks only what the addresses of all services have in common.
func (c *checker) serviceURL(path string, text Secret) {
	scheme, rest, ok := strings.Cut(text.Reveal(), "://")
	if !ok || scheme == "" || rest == "" {
		c.fail(path, "it does not start with the name of a service and ://")
	}
}

// maxSecret bounds a secret in bytes.
const maxSecret = 8 << 10

// secret reads a text that is never repeated, written under key or in the file
// that key_file names.
func (c *checker) secret(path, key, text, file string) Secret {
	path += "." + key
	switch {
	case text != "" && file != "":
		c.fail(path+"_file", "%s is given too: keep one", key)
		return ""
	case file != "":
		path += "_file"
		b, err := c.opts.Secret(c.below(path, file))
		if err != nil {
			c.fail(path, "%v", err)
			return ""
		}
		if text = strings.TrimRight(string(b), "\r\n"); text == "" {
			c.fail(path, "%s is empty", file)
		}
	}
	switch {
	case text == secretSet || text == secretNot:
		c.fail(path, "%s only stands for it where a configuration is shown: write the %s itself", text, key)
		return ""
	case len(text) > maxSecret || strings.ContainsFunc(text, unicode.IsControl):
		c.fail(path, "it must be one line of at most %d bytes", maxSecret)
		return ""
	}
	return Secret(text)
}

// readSecret reads a file that holds one secret.
func readSecret(path string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is not a file", path)
	}
	f, err := os.Open(filepath.Clean(path))
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	return io.ReadAll(io.LimitReader(f, maxSecret+3))
}

// headerName is a token of RFC 9110, section 5.6.2 (from memory).
var headerName = regexp.MustCompile("^[A-Za-z0-9!#$%&'*+.^_`|~-]{1,100}$")

// ownHeaders are written by the outlet itself.
var ownHeaders = []string{"host", "content-length", "transfer-encoding", "connection"}

func (c *checker) headers(path string, raws []rawEntry) map[string]Secret {
	if len(raws) == 0 {
		return nil
	}
	out := map[string]Secret{}
	for _, raw := range raws {
		at := path + "." + word(raw.Name)
		switch {
		case !headerName.MatchString(raw.Name):
			c.fail(at, "this is not the name of a header: write one such as Authorization")
		case slices.Contains(ownHeaders, strings.ToLower(raw.Name)):
			c.fail(at, "the request says this by itself: remove it")
		case raw.Value == secretSet:
			c.fail(at, "%s only stands for it where a configuration is shown: write the value itself", secretSet)
		case len(raw.Value) > maxSecret || strings.ContainsFunc(raw.Value, unicode.IsControl):
			c.fail(at, "the value must be one line of at most %d bytes", maxSecret)
		}
		out[raw.Name] = Secret(raw.Value)
	}
	return out
}

// template checks how a text is written; what it calls is the outlet's affair.
func (c *checker) template(path, text string) string {
	t := texttemplate.New("body")
	t.Mode = texttemplate.SkipFuncCheck
	if _, err := t.Parse(text, "", "", map[string]*texttemplate.Tree{}); err != nil {
		c.fail(path, "this template cannot be read: %s", strings.TrimPrefix(err.Error(), "template: body:"))
	}
	return text
}

// server reads host:port.
func (c *checker) server(path, text string) string {
	if bareHost(text) {
		c.fail(path, "%q has no port: write %s:587, or :465 where TLS begins at once", text, text)
	} else if _, err := readTCP(text); err != nil {
		c.fail(path, "%q: %v: write host:port, such as mail.example:587", text, err)
	}
	return text
}

func (c *checker) mailAddress(path, text string) string {
	if _, err := mail.ParseAddress(text); err != nil {
		c.fail(path, "%q is no address of mail: write one such as kim@shop.example", text)
	}
	return text
}

// count reads a number from 1 to most.
func (c *checker) count(path, text string, most int) int {
	if !counts(text, most) {
		c.fail(path, "%q is not a whole number from 1 to %d", text, most)
	}
	n, _ := strconv.Atoi(text)
	return n
}

// oneOf reads one of a few words.
func (c *checker) oneOf(path, text string, known ...string) string {
	if !slices.Contains(known, text) {
		c.fail(path, "%q is not known: write %s", text, strings.Join(known, " or "))
	}
	return text
}

// each goes through the entries of a list; empty ones were reported as it was
// read.
func (c *checker) each(path string, texts []string, do func(at, text string)) {
	for i, text := range texts {
		if text != "" {
			do(fmt.Sprintf("%s[%d]", path, i), text)
		}
	}
}

// words turns names into plain texts.
func words[T ~string](names []T) (out []string) {
	for _, n := range names {
		out = append(out, string(n))
	}
	return out
}

func join[T ~string](names []T) string { return strings.Join(words(names), ", ") }
