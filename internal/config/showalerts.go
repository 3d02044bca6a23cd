package config

import (
	"cmp"
	"net/url"
	"strconv"
	"strings"
)

// fillAlerts fills in what was left out of what concerns alerts, and takes out
// what is secret.
func (l loaded) fillAlerts(raw *rawConfig) {
	raw.Link = l.Link
	if l.Heartbeat.URL != "" {
		raw.Heartbeat = rawHeartbeat{URL: shownURL(l.Heartbeat.URL), Every: short(l.Heartbeat.Every)}
	}
	given := raw.Outlets
	raw.Outlets = nil
	for i, o := range l.Outlets {
		written := rawOutlet{Name: o.Name, Kind: string(o.Kind)}
		if i < len(given) {
			written = given[i]
		}
		raw.Outlets = append(raw.Outlets, o.effective(written))
	}
	raw.People = nil
	for i, p := range l.People {
		raw.People = append(raw.People, rawPerson{Name: p.Name, Outlets: p.Outlets, Quiet: l.raw.People[i].Quiet})
	}
	raw.Alerts.Draw = nil
	for i, d := range l.Alerts.Draw {
		raw.Alerts.Draw = append(raw.Alerts.Draw, d.effective(l.raw.Alerts.Draw[i]))
	}
}

func (o Outlet) effective(raw rawOutlet) rawOutlet {
	raw.Timeout, raw.PerMinute = short(o.Timeout), strconv.Itoa(o.PerMinute)
	raw.URL = shown(raw.URLFile, raw.URL, shownURL(o.URL))
	if o.Kind == Service && raw.URL != "" {
		raw.URL = o.URL.String() // its host may be the token
	}
	raw.Method = o.Method
	headers := raw.Headers
	raw.Headers = nil
	for _, h := range headers {
		raw.Headers = append(raw.Headers, rawEntry{h.Name, secretSet})
	}
	switch o.Kind {
	case Webhook:
		raw.Secret = shown(raw.SecretFile, o.Secret.String(), o.Secret.String())
	case Email:
		raw.Password = shown(raw.PasswordFile, o.Password.String(), o.Password.String())
		raw.TLS = cmp.Or(raw.TLS, tlsRequired)
	case WebPush, Alertmanager, Publish, Service: // nothing else to hide
	}
	return raw
}

// shown is what stands in place of a secret: nothing where a file holds it,
// whose name is shown.
func shown(file, written, instead string) string {
	if file != "" || written == "" {
		return ""
	}
	return instead
}

// shownURL is an address down to its host: what comes after it may be a token.
func shownURL(s Secret) string {
	u, err := url.Parse(s.Reveal())
	if err != nil || u.Host == "" {
		return s.String()
	}
	bare := url.URL{Scheme: u.Scheme, Host: u.Host}
	if strings.Trim(u.Path, "/") == "" && u.RawQuery == "" && u.User == nil {
		return s.Reveal()
	}
	return bare.String() + "/…"
}

func (d Draw) effective(raw rawDraw) rawDraw {
	raw.For, raw.Severity = short(d.For), string(d.Severity)
	if d.Within != 0 {
		raw.Within = short(d.Within)
	}
	return raw
}
