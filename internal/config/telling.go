package config

import (
	"cmp"
	"errors"
	"net/mail"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// telling reads all that concerns alerts. The stations were read before.
func (c *checker) telling(raw rawConfig, cfg *Config) {
	cfg.Link = c.link("link", raw.Link)
	cfg.Contact = c.contact("contact", raw.Contact)
	cfg.Heartbeat = c.heartbeat(raw.Heartbeat)
	cfg.Outlets = c.outlets(raw.Outlets)
	if c.pushed != "" && raw.Contact == "" && len(cfg.Outlets) > 1 { // alone it is the default, as config show writes it
		c.missing("contact", "%s is of kind web-push, and push services want to know whom to write to: say so, such as mailto:shop@example.org", c.pushed)
	}
	cfg.People = c.people(raw.People, cfg.Outlets)
	cfg.Alerts = c.alerts(raw.Alerts, cfg)
}

// link reads the address under which people reach the pages.
func (c *checker) link(path, text string) string {
	if text == "" {
		return ""
	}
	u, err := url.Parse(text)
	if err = cmp.Or(err, checkWebURL(text)); err == nil && (u.RawQuery != "" || u.User != nil) {
		err = errors.New("only host and path can stand in it")
	}
	if err != nil {
		c.fail(path, "%q: %v: write the address of the pages as people reach them, such as https://bench.example/", text, err)
		return text
	}
	return strings.TrimSuffix(text, "/") + "/"
}

// contact reads whom a push service can write to. RFC 8292, section 2.1, wants
// an address of mail or the web; services refuse one that leads nowhere.
func (c *checker) contact(path, text string) string {
	if text == "" {
		return ""
	}
	var host string
	address, mailed := strings.CutPrefix(text, "mailto:")
	if u, err := url.Parse(text); mailed {
		a, err := mail.ParseAddress(address)
		if err != nil || a.Address != address {
			c.fail(path, "%q is no address of mail: write one such as mailto:shop@example.org", text)
			return text
		}
		host = address[strings.LastIndex(address, "@")+1:]
	} else if err != nil || u.Scheme != "https" || u.Hostname() == "" {
		c.fail(path, "%q must start with https:// or mailto:, such as mailto:shop@example.org", text)
		return text
	} else {
		host = u.Hostname()
	}
	if leadsNowhere(host) {
		c.fail(path, "%q: push services refuse %s, which they cannot reach: write an address of yours in the public network", text, host)
	}
	return text
}

func leadsNowhere(host string) bool {
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	return host == "localhost" || slices.ContainsFunc([]string{".localhost", ".local", ".invalid"}, func(end string) bool {
		return strings.HasSuffix(host, end)
	})
}

func (c *checker) heartbeat(raw rawHeartbeat) Heartbeat {
	if raw.URL == "" {
		if raw.Every != "" {
			c.missing("heartbeat.url", "say who is told that all is well, such as https://watcher.example/ID, or remove heartbeat")
		}
		return Heartbeat{}
	}
	h := Heartbeat{
		URL:   c.secret("heartbeat", "url", raw.URL, ""),
		Every: c.duration("heartbeat.every", cmp.Or(raw.Every, short(DefaultHeartbeat)), minHeartbeat, maxHeartbeat),
	}
	if h.URL != "" {
		c.webURL("heartbeat.url", h.URL)
	}
	return h
}

// people reads who is told; outlets that are not said are all.
func (c *checker) people(raws []rawPerson, outlets []Outlet) (out []Person) {
	names := namesOf(outlets, func(o Outlet) string { return o.Name })
	for _, raw := range raws {
		path := "people." + word(raw.Name)
		p := Person{Name: c.label(path, raw.Name), Outlets: c.named(path+".outlets", "outlet", raw.Outlets, names)}
		if len(raw.Outlets) == 0 {
			p.Outlets = names
		}
		if slices.Contains(names, p.Name) {
			c.fail(path, "an outlet has that name too, and one could not tell them apart: give one another")
		}
		c.each(path+".quiet", raw.Quiet, func(at, text string) { p.Quiet = append(p.Quiet, c.quiet(at, text)) })
		out = append(out, p)
	}
	return out
}

// span is a time of the day: days on which it begins, then from and to.
var (
	span     = regexp.MustCompile(`^(?:(\S+) )?(\S+)-(\S+)$`)
	dayRange = regexp.MustCompile(`^(mon|tue|wed|thu|fri|sat|sun)(-(mon|tue|wed|thu|fri|sat|sun))?$`)
	dayTime  = regexp.MustCompile(`^([01]?[0-9]|2[0-3]):[0-5][0-9]$`)
)

// quiet reads a time of the day, such as 22:00-07:00 or mon-fri 22:00-07:00.
func (c *checker) quiet(path, text string) string {
	const write = `write from and to, such as "22:00-07:00", and if you like the days before: "mon-fri 22:00-07:00"`
	m := span.FindStringSubmatch(text)
	if m == nil {
		c.fail(path, "%q is no time of the day: %s", text, write)
		return text
	}
	for days := range strings.SplitSeq(m[1], ",") {
		if m[1] != "" && !dayRange.MatchString(days) {
			c.fail(path, "%q are no days: %s", days, write)
			return text
		}
	}
	switch from, to := m[2], m[3]; {
	case !dayTime.MatchString(from) || !dayTime.MatchString(to) && to != "24:00":
		c.fail(path, "%q is no time of the day: %s", text, write)
	case padded(from) == padded(to):
		c.fail(path, "%q ends as it begins: a whole day is 00:00-24:00", text)
	}
	return text
}

// padded is a time of the day with all its digits.
func padded(clock string) string { return ("0" + clock)[len(clock)-len("7:00"):] }

func (c *checker) alerts(raw rawAlerts, cfg *Config) Alerts {
	a := Alerts{
		Repeat:   c.orNever("alerts.repeat", raw.Repeat),
		Escalate: c.orNever("alerts.escalate", raw.Escalate),
		Hold:     c.hold(raw.Hold),
		Tell:     c.tell(raw.Tell, cfg),
	}
	for i, d := range raw.Draw {
		a.Draw = append(a.Draw, c.draw(index("alerts.draw", i), d, cfg))
	}
	c.ownNames(a.Draw)
	return a
}

func (c *checker) orNever(path, text string) time.Duration {
	if text == Never {
		return 0
	}
	return c.duration(path, text, minRepeat, maxRepeat)
}

// hold reads for how long what a kind is about must stand before it is told.
func (c *checker) hold(raws []rawEntry) map[bench.AlertKind]time.Duration {
	if len(raws) == 0 {
		return nil
	}
	out := map[bench.AlertKind]time.Duration{}
	for _, raw := range raws {
		at := "alerts.hold." + word(raw.Name)
		if k := bench.AlertKind(raw.Name); !slices.Contains(bench.AlertKinds(), k) {
			c.fail(at, "unknown kind of alert: %s", hint(raw.Name, words(bench.AlertKinds())))
		} else {
			out[k] = c.duration(at, raw.Value, 0, maxHold)
		}
	}
	return out
}

func (c *checker) tell(raws []rawTell, cfg *Config) (out []AlertRule) {
	who := append(namesOf(cfg.People, func(p Person) string { return p.Name }), namesOf(cfg.Outlets, func(o Outlet) string { return o.Name })...)
	stations := append(stationIDs(cfg), OfBench)
	for i, raw := range raws {
		path := index("alerts.tell", i)
		r := AlertRule{
			Stations:   c.named(path+".stations", "station", raw.Stations, stations),
			Severities: known(c, path+".severities", "severity", raw.Severities, bench.Severities()),
			Kinds:      known(c, path+".kinds", "kind of alert", raw.Kinds, bench.AlertKinds()),
			Tell:       c.named(path+".tell", "person or outlet", raw.Tell, who),
			Then:       c.named(path+".then", "person or outlet", raw.Then, who),
		}
		if len(raw.Tell) == 0 {
			c.missing(path+".tell", "say who is told, people or outlets by name, such as [kim]")
		}
		out = append(out, r)
	}
	return out
}

// named resolves names, each once.
func (c *checker) named(path, what string, texts, there []string) []string {
	return known(c, path, what, texts, there)
}

// known resolves words among those there are, each once.
func known[T ~string](c *checker, path, what string, texts []string, there []T) (out []T) {
	c.each(path, texts, func(at, text string) {
		switch {
		case !slices.Contains(there, T(text)):
			c.fail(at, "unknown %s %q: %s", what, text, hint(text, words(there)))
		case slices.Contains(out, T(text)):
			c.fail(at, "%q is given twice: keep one", text)
		default:
			out = append(out, T(text))
		}
	})
	return out
}

func stationIDs(cfg *Config) []string {
	return namesOf(cfg.Stations, func(s Station) string { return s.ID })
}

func namesOf[T any](all []T, name func(T) string) (out []string) {
	for _, v := range all {
		out = append(out, name(v))
	}
	return out
}
