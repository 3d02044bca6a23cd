package config_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/alert/roster"
	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/unit"
)

// told is a file in which every key about alerts stands.
const told = `bench: north
stations:
  - {id: s1, profile: handset, supply: {address: psu}}
  - {id: s2, profile: handset, port: 1-2}
link: https://bench.example
contact: mailto:shop@example.org
heartbeat: {url: "https://watcher.example/HIDDEN-1", every: 30s}
outlets:
  phones: {kind: web-push}
  hook:
    kind: webhook
    url: https://hook.example/HIDDEN-2?key=HIDDEN-3
    secret: HIDDEN-4
    headers: {X-Shop.Token: HIDDEN-5}
  mail:
    kind: email
    server: mail.example:587
    user: bench
    password_file: keys/mail
    from: Bench <bench@shop.example>
    to: [kim@shop.example, lee@shop.example]
    timeout: 30s
    per_minute: 6
  plain: {kind: email, server: "[::1]:25", from: a@b.example, to: [c@d.example], tls: none}
  chief: {kind: alertmanager, url: "http://127.0.0.1:9093"}
  own: {kind: publish, url: "https://say.example/HIDDEN-6", method: PUT, body: "{{.Title}}: {{json .Text}}"}
  other: {kind: service, url_file: /keys/other}
  chat: {kind: service, url: "chat://HIDDEN-7@room"}
people:
  kim: {outlets: [phones, mail], quiet: ["22:00-07:00", "mon-fri,sun 12:30-24:00"]}
  lee: {}
alerts:
  repeat: 2m
  escalate: off
  tell:
    - {stations: [s1], severities: [danger], kinds: [dropped, stalled], tell: [kim], then: [lee]}
    - {stations: [bench], tell: [lee, hook]}
  hold: {supply-lost: 10s, usb-lost: 0s}
  draw:
    - {name: high-idle, stations: [s1], modes: [running], above: 1.5}
    - {name: low, below: 0.05, for: 30s, severity: danger}
    - {name: band, profiles: [handset, tablet], outside: [0.1, 0.8]}
    - {name: jump, changed_by: 0.2, within: 20s, severity: notice}
`

// keys are the files of secrets that the tests have.
func keys(path string) ([]byte, error) {
	switch path {
	case "/etc/bench/keys/mail":
		return []byte("HIDDEN-8\n"), nil
	case "/keys/other":
		return []byte("page://HIDDEN-9"), nil
	case "/keys/empty":
		return []byte("\r\n"), nil
	}
	return nil, fmt.Errorf("open %s: %w", path, os.ErrNotExist)
}

func parseTold(text string) (config.Config, error) {
	return config.Parse(strings.NewReader(text), "config.yaml", config.Options{Dir: "/etc/bench", Profiles: knownProfiles, Secret: keys})
}

func TestEveryKeyOfAlerts(t *testing.T) {
	got, err := parseTold(told)
	if err != nil {
		t.Fatal(err)
	}
	got.Stations, got.Profiles, got.Traces, got.USB, got.Listen = nil, "", config.Traces{}, config.USB{}, ""
	quick := func(o config.Outlet) config.Outlet {
		o.Timeout, o.PerMinute = 10*time.Second, 30
		return o
	}
	want := config.Config{
		Bench: "north", InhibitSleep: true, Link: "https://bench.example/", Contact: "mailto:shop@example.org",
		Heartbeat: config.Heartbeat{URL: "https://watcher.example/HIDDEN-1", Every: 30 * time.Second},
		Outlets: []config.Outlet{
			quick(config.Outlet{Name: "phones", Kind: config.WebPush}),
			quick(config.Outlet{Name: "hook", Kind: config.Webhook, URL: "https://hook.example/HIDDEN-2?key=HIDDEN-3", Secret: "HIDDEN-4", Headers: map[string]config.Secret{"X-Shop.Token": "HIDDEN-5"}}),
			{Name: "mail", Kind: config.Email, Server: "mail.example:587", User: "bench", Password: "HIDDEN-8", From: "Bench <bench@shop.example>", To: []string{"kim@shop.example", "lee@shop.example"}, Timeout: 30 * time.Second, PerMinute: 6},
			quick(config.Outlet{Name: "plain", Kind: config.Email, Server: "[::1]:25", From: "a@b.example", To: []string{"c@d.example"}, PlainTLS: true}),
			quick(config.Outlet{Name: "chief", Kind: config.Alertmanager, URL: "http://127.0.0.1:9093"}),
			quick(config.Outlet{Name: "own", Kind: config.Publish, URL: "https://say.example/HIDDEN-6", Method: "PUT", Body: "{{.Title}}: {{json .Text}}"}),
			quick(config.Outlet{Name: "other", Kind: config.Service, URL: "page://HIDDEN-9"}),
			quick(config.Outlet{Name: "chat", Kind: config.Service, URL: "chat://HIDDEN-7@room"}),
		},
		People: []config.Person{
			{Name: "kim", Outlets: []string{"phones", "mail"}, Quiet: []string{"22:00-07:00", "mon-fri,sun 12:30-24:00"}},
			{Name: "lee", Outlets: []string{"phones", "hook", "mail", "plain", "chief", "own", "other", "chat"}},
		},
		Alerts: config.Alerts{
			Repeat: 2 * time.Minute,
			Tell: []config.AlertRule{
				{Stations: []string{"s1"}, Severities: []bench.Severity{bench.Danger}, Kinds: []bench.AlertKind{bench.AlertDropped, bench.AlertStalled}, Tell: []string{"kim"}, Then: []string{"lee"}},
				{Stations: []string{"bench"}, Tell: []string{"lee", "hook"}},
			},
			Hold: map[bench.AlertKind]time.Duration{bench.AlertSupplyLost: 10 * time.Second, bench.AlertUSBLost: 0},
			Draw: []config.Draw{
				{Name: "high-idle", Stations: []string{"s1"}, Modes: []bench.Mode{bench.Running}, Above: unit.Some(1500 * unit.Milliampere), For: 5 * time.Second, Severity: bench.Caution},
				{Name: "low", Below: unit.Some(50 * unit.Milliampere), For: 30 * time.Second, Severity: bench.Danger},
				{Name: "band", Profiles: []string{"handset", "tablet"}, Outside: unit.Some(config.Band{Low: 100 * unit.Milliampere, High: 800 * unit.Milliampere}), For: 5 * time.Second, Severity: bench.Caution},
				{Name: "jump", ChangedBy: unit.Some(200 * unit.Milliampere), Within: 20 * time.Second, For: 5 * time.Second, Severity: bench.Notice},
			},
		},
	}
	same := func(a, b any) string {
		return cmp.Diff(a, b, cmp.Comparer(func(a, b unit.Maybe[unit.Current]) bool { return a == b }),
			cmp.Comparer(func(a, b unit.Maybe[config.Band]) bool { return a == b }),
			cmp.Comparer(func(a, b config.Secret) bool { return a.Reveal() == b.Reveal() }))
	}
	if d := same(want, got); d != "" {
		t.Error(d)
	}
}

// No secret gets out, whichever way a configuration is printed.
func TestSecretsStayIn(t *testing.T) {
	c, err := parseTold(told)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(c.Outlets)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{fmt.Sprintf("%v %+v %#v", c, c, c), fmt.Sprintf("%s %q", c.Outlets[1].Secret, c.Outlets[1].URL), string(b)} {
		if at := strings.Index(text, "HIDDEN"); at >= 0 {
			t.Errorf("a secret got out: …%s", text[max(0, at-60):])
		}
	}
	if !strings.Contains(string(b), "(set)") {
		t.Errorf("that there is a secret is not said: %s", b)
	}
}

func TestShowHidesSecrets(t *testing.T) {
	text := strings.NewReplacer("  - {id: s2", "  - {id: s3", "/keys/other", "other", ", tablet]", "]").Replace(told)
	path := folder(t, text)
	for name, secret := range map[string]string{"keys/mail": "HIDDEN-8", "other": "page://HIDDEN-9"} {
		name = filepath.Join(filepath.Dir(path), name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o700), os.WriteFile(name, []byte(secret), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	shown, err := config.Show(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.ReplaceAll(string(shown), " # "+path+":", " # ")
	if strings.Contains(got, "HIDDEN") {
		t.Errorf("a secret is shown:\n%s", got)
	}
	_, got, _ = strings.Cut(got, "link: ")
	want := `https://bench.example/ # 5
contact: mailto:shop@example.org # 6
heartbeat:
  url: https://watcher.example/… # 7
  every: 30s # 7
outlets:
  phones:
    kind: web-push # 9
    timeout: 10s # default
    per_minute: 30 # default
  hook:
    kind: webhook # 11
    url: https://hook.example/… # 12
    secret: (set) # 13
    headers:
      X-Shop.Token: (set) # 14
    timeout: 10s # default
    per_minute: 30 # default
  mail:
    kind: email # 16
    server: mail.example:587 # 17
    user: bench # 18
    password_file: keys/mail # 19
    from: Bench <bench@shop.example> # 20
    to:
      - kim@shop.example # 21
      - lee@shop.example # 21
    tls: required # default
    timeout: 30s # 22
    per_minute: 6 # 23
  plain:
    kind: email # 24
    server: '[::1]:25' # 24
    password: (not set) # default
    from: a@b.example # 24
    to:
      - c@d.example # 24
    tls: none # 24
    timeout: 10s # default
    per_minute: 30 # default
  chief:
    kind: alertmanager # 25
    url: http://127.0.0.1:9093 # 25
    timeout: 10s # default
    per_minute: 30 # default
  own:
    kind: publish # 26
    url: https://say.example/… # 26
    method: PUT # 26
    body: '{{.Title}}: {{json .Text}}' # 26
    timeout: 10s # default
    per_minute: 30 # default
  other:
    kind: service # 27
    url_file: other # 27
    timeout: 10s # default
    per_minute: 30 # default
  chat:
    kind: service # 28
    url: (set) # 28
    timeout: 10s # default
    per_minute: 30 # default
people:
  kim:
    outlets:
      - phones # 30
      - mail # 30
    quiet:
      - 22:00-07:00 # 30
      - mon-fri,sun 12:30-24:00 # 30
  lee:
    outlets:
`
	if d := cmp.Diff(want, got[:min(len(want), len(got))]); d != "" {
		t.Error(d)
	}
	for _, line := range []string{"      - phones # default, all\n", "  escalate: off # 34\n", "    usb-lost: 0s # 38\n", "      above: 1.5 # 40\n      for: 5s # default\n", "      within: 20s # 43\n"} {
		if !strings.Contains(got, line) {
			t.Errorf("%q is not in\n%s", line, got)
		}
	}
}

// What is shown where nothing is secret reads back.
func TestShownAlertsReadBack(t *testing.T) {
	path := folder(t, `bench: north
stations: [{id: s1, profile: handset, supply: {address: psu}}]
link: http://bench.example/here/
contact: mailto:shop@example.org
outlets: {a: {kind: web-push}, "null": {kind: alertmanager, url: "http://[::1]:9093/"}}
people: {kim: {quiet: ["22:00-07:00"]}}
alerts: {repeat: off, tell: [{kinds: [draw], tell: [kim]}], hold: {dropped: 1s}, draw: [{name: x, outside: [0, 0.5]}, {name: "y", changed_by: 1}]}
`)
	shown, err := config.Show(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	first, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	second, err := config.Parse(strings.NewReader(string(shown)), "again", config.Options{})
	if err != nil {
		t.Fatalf("%v in\n%s", err, shown)
	}
	if a, b := fmt.Sprintf("%+v", [3]any{first.Outlets, first.People, first.Alerts}), fmt.Sprintf("%+v", [3]any{second.Outlets, second.People, second.Alerts}); a != b || first.Link != second.Link {
		t.Errorf("%s, and again %s in\n%s", a, b, shown)
	}
}

func TestRefusedAlerts(t *testing.T) {
	outlet := func(text string) string { return good + "outlets:\n  a: " + text + "\n" }
	alerts := func(text string) string { return good + "alerts: {" + text + "}\n" }
	draw := func(text string) string { return alerts("draw: [{name: x, " + text + "}]") }
	for _, tt := range []struct{ name, file, want string }{
		{"link", good + "link: bench.example\n", `6: link: "bench.example": it does not start with https:// or http://: write the address of the pages as people reach them, such as https://bench.example/`},
		{"link with a query", good + "link: https://bench.example/?a=b\n", `6: link: "https://bench.example/?a=b": only host and path can stand in it: write the address of the pages as people reach them, such as https://bench.example/`},
		{"contact", good + "contact: shop@example.org\n", `6: contact: "shop@example.org" must start with https:// or mailto:, such as mailto:shop@example.org`},
		{"contact at home", good + "contact: mailto:shop@printer.LOCAL\n", `6: contact: "mailto:shop@printer.LOCAL": push services refuse printer.LOCAL, which they cannot reach: write an address of yours in the public network`},
		{"contact here", good + "contact: https://localhost/x\n", `6: contact: "https://localhost/x": push services refuse localhost, which they cannot reach: write an address of yours in the public network`},
		{"contact, no mail", good + "contact: mailto:shop\n", `6: contact: "mailto:shop" is no address of mail: write one such as mailto:shop@example.org`},
		{"heartbeat", good + "heartbeat: {url: ftp://HIDDEN, every: 1}\n", "6: heartbeat.every: 1 has no unit: write 1s or 1ms\nconfig.yaml:6: heartbeat.url: it does not start with https:// or http://: write an absolute address, such as https://hook.example/alerts"},
		{"heartbeat to nobody", good + "heartbeat: {every: 1m}\n", `6: heartbeat.url: missing: say who is told that all is well, such as https://watcher.example/ID, or remove heartbeat`},

		{"outlets as a list", good + "outlets: [a]\n", `6: outlets: must hold names and what belongs to each, not a list`},
		{"outlet as a word", outlet("web-push"), `7: outlets.a: must hold keys and values (kind, url, url_file, secret, secret_file, method, headers, body, server, user, password, password_file, from, to, tls, timeout, per_minute), not a plain value`},
		{"outlet name", good + "outlets: {My Phone: {kind: web-push}}\n", `6: outlets.My Phone: "My Phone" must be 1 to 32 small letters, digits and dashes, starting with a letter or digit`},
		{"outlet twice", good + "outlets:\n  a: {kind: web-push}\n  a: {kind: web-push}\n", `8: outlets.a: given twice, first on line 7: keep one`},
		{"no kind", outlet("{timeout: 3s}"), `7: outlets.a.kind: missing: say how it reaches people, one of web-push, webhook, email, alertmanager, publish, service`},
		{"unknown kind", outlet("{kind: e-mail}"), `7: outlets.a.kind: "e-mail" is no kind of outlet: did you mean "email"?`},
		{"a name for a key", outlet(`{kind: web-push, "<name>": b}`), `7: outlets.a.<name>: unknown key: known here are kind, url, url_file, secret, secret_file, method, headers, body, server, user, password, password_file, from, to, tls, timeout, per_minute`},
		{"key of another kind", outlet("{kind: web-push, secret: HIDDEN}"), `7: outlets.a.secret: an outlet of kind web-push has no secret: remove it; it has kind, timeout, per_minute`},
		{"no address", outlet("{kind: webhook}"), `7: outlets.a.url: missing: say where it is, such as https://hook.example/alerts, or name a file that says so as url_file`},
		{"no host", outlet(`{kind: webhook, url: "https://?HIDDEN"}`), `7: outlets.a.url: the host is missing: write an absolute address, such as https://hook.example/alerts`},
		{"no address at all", outlet(`{kind: webhook, url: "https://a:HIDDEN@b:c"}`), `7: outlets.a.url: it cannot be read as an address: write an absolute address, such as https://hook.example/alerts`},
		{"as it was shown", outlet(`{kind: webhook, url: "https://a/…", secret: (set)}`), "7: outlets.a.url: \"…\" only stands for the rest of it where a configuration is shown: write an absolute address, such as https://hook.example/alerts\nconfig.yaml:7: outlets.a.secret: (set) only stands for it where a configuration is shown: write the secret itself"},
		{"two secrets", outlet(`{kind: webhook, url: "https://a", secret: HIDDEN, secret_file: b}`), `7: outlets.a.secret_file: secret is given too: keep one`},
		{"no file", outlet(`{kind: service, url_file: b}`), `7: outlets.a.url_file: open /etc/bench/b: file does not exist`},
		{"empty file", outlet(`{kind: service, url_file: /keys/empty}`), `7: outlets.a.url_file: /keys/empty is empty`},
		{"no service", outlet(`{kind: service, url: "HIDDEN"}`), `7: outlets.a.url: it does not start with the name of a service and ://`},
		{"header", outlet(`{kind: webhook, url: "https://a", headers: {"a b": HIDDEN, Host: HIDDEN, c: "HIDDEN\nd"}}`), "7: outlets.a.headers.a b: this is not the name of a header: write one such as Authorization\nconfig.yaml:7: outlets.a.headers.Host: the request says this by itself: remove it\nconfig.yaml:7: outlets.a.headers.c: the value must be one line of at most 8192 bytes"},
		{"method", outlet(`{kind: publish, url: "https://a", method: GET}`), `7: outlets.a.method: "GET" is not known: write POST or PUT`},
		{"template", outlet(`{kind: publish, url: "https://a", body: "{{.Title"}`), `7: outlets.a.body: this template cannot be read: 1: unclosed action`},
		{"mail", outlet("{kind: email}"), "7: outlets.a.server: missing: say which server takes the mail, such as mail.example:587\nconfig.yaml:7: outlets.a.from: missing: say whom the mail is from, such as bench@shop.example\nconfig.yaml:7: outlets.a.to: missing: say whom the mail goes to, such as [kim@shop.example]"},
		{"mail, port", outlet("{kind: email, server: mail.example, from: a@b.example, to: [c]}"), "7: outlets.a.server: \"mail.example\" has no port: write mail.example:587, or :465 where TLS begins at once\nconfig.yaml:7: outlets.a.to[0]: \"c\" is no address of mail: write one such as kim@shop.example"},
		{"mail, half a login", outlet("{kind: email, server: 'a:25', from: a@b.example, to: [a@b.example], password: HIDDEN}"), `7: outlets.a.user: missing: a password alone is no login: write the user too, or remove it`},
		{"mail, password in the clear", outlet("{kind: email, server: 'a:25', from: a@b.example, to: [a@b.example], user: a, password: HIDDEN, tls: none}"), `7: outlets.a.tls: without TLS the password would be readable on the way: write required, or remove user and password`},
		{"rate", outlet("{kind: web-push, per_minute: 0}"), `7: outlets.a.per_minute: "0" is not a whole number from 1 to 600`},

		{"a person's outlet", good + "people: {kim: {outlets: [radio, phone]}}\n", "6: people.kim.outlets[0]: unknown outlet \"radio\": known here are phones\nconfig.yaml:6: people.kim.outlets[1]: unknown outlet \"phone\": did you mean \"phones\"?"},
		{"an outlet twice", good + "people: {kim: {outlets: [phones, phones]}}\n", `6: people.kim.outlets[1]: "phones" is given twice: keep one`},
		{"an outlet that is a list", good + "people: {kim: {outlets: [[phones]]}}\n", `6: people.kim.outlets[0]: must be one plain value, not a list`},
		{"quiet", good + "people: {kim: {quiet: [night, '25:00-07:00', '07:00-07:00', 'moon 07:00-08:00', '24:00-07:00']}}\n", "6: people.kim.quiet[0]: \"night\" is no time of the day: write from and to, such as \"22:00-07:00\", and if you like the days before: \"mon-fri 22:00-07:00\"\nconfig.yaml:6: people.kim.quiet[1]: \"25:00-07:00\" is no time of the day: write from and to, such as \"22:00-07:00\", and if you like the days before: \"mon-fri 22:00-07:00\"\nconfig.yaml:6: people.kim.quiet[2]: \"07:00-07:00\" ends as it begins: a whole day is 00:00-24:00\nconfig.yaml:6: people.kim.quiet[3]: \"moon\" are no days: write from and to, such as \"22:00-07:00\", and if you like the days before: \"mon-fri 22:00-07:00\"\nconfig.yaml:6: people.kim.quiet[4]: \"24:00-07:00\" is no time of the day: write from and to, such as \"22:00-07:00\", and if you like the days before: \"mon-fri 22:00-07:00\""},
		{"one name for two", good + "people: {phones: {}}\n", `6: people.phones: an outlet has that name too, and one could not tell them apart: give one another`},

		{"repeat", alerts("repeat: 1s"), `6: alerts.repeat: 1s is too short: the least is 30s`},
		{"hold", alerts("hold: {suply-lost: 10s, dropped: 2h}"), "6: alerts.hold.suply-lost: unknown kind of alert: did you mean \"supply-lost\"?\nconfig.yaml:6: alerts.hold.dropped: 2h is too long: the most is 1h"},
		{"tell nobody", alerts("tell: [{stations: [s1]}]"), `6: alerts.tell[0].tell: missing: say who is told, people or outlets by name, such as [kim]`},
		{"tell, unknown", good + "people: {kim: {}, lee: {}}\nalerts: {tell: [{stations: [s2], severities: [red], kinds: [drop], tell: [pat]}]}\n", "7: alerts.tell[0].stations[0]: unknown station \"s2\": did you mean \"s1\"?\nconfig.yaml:7: alerts.tell[0].severities[0]: unknown severity \"red\": known here are danger, caution, notice\nconfig.yaml:7: alerts.tell[0].kinds[0]: unknown kind of alert \"drop\": known here are " + kinds() + "\nconfig.yaml:7: alerts.tell[0].tell[0]: unknown person or outlet \"pat\": known here are kim, lee, phones"},

		{"draw without a limit", draw("for: 5s"), `6: alerts.draw[0].above: missing: say what the current must not do: above: 1.5, below: 0.1, outside: [0.1, 0.8] or changed_by: 0.2, in ampere`},
		{"draw with two", draw("below: 1, above: 2"), `6: alerts.draw[0].below: above is given too: one rule has one limit, and outside: [low, high] has both ends`},
		{"draw upside down", draw("outside: [2, 1]"), `6: alerts.draw[0].outside: [2, 1] is upside down: write the lower one first`},
		{"draw of one end", draw("outside: [2]"), `6: alerts.draw[0].outside: must be two currents in ampere, the lower first, such as [0.1, 0.8]`},
		{"draw, milliampere", draw("above: 1500"), `6: alerts.draw[0].above: 1500 A is no current of a board: write one from 0 to 100, in ampere`},
		{"draw, unit", draw("above: 20mA"), `6: alerts.draw[0].above: "20mA" is no current: write a number in ampere, such as 0.25`},
		{"draw, nothing below", draw("below: 0"), `6: alerts.draw[0].below: no current is below that: write more than 0, in ampere`},
		{"draw, within", draw("above: 1, within: 3s"), `6: alerts.draw[0].within: belongs to changed_by, which is not given: remove it, or write for`},
		{"draw, unmeasured", draw("above: 1, stations: [s1]"), `6: alerts.draw[0].stations: station "s1" has no supply, so nobody measures its current: take it out`},
		{"draw, both", draw("above: 1, stations: [s9], profiles: [hand]"), "6: alerts.draw[0].stations[0]: unknown station \"s9\": did you mean \"s1\"?\nconfig.yaml:6: alerts.draw[0].profiles[0]: unknown profile \"hand\": known here are handset, tablet\nconfig.yaml:6: alerts.draw[0].profiles: stations are given too: keep one"},
		{"draw, words", draw("above: 1, modes: [runing], severity: high"), "6: alerts.draw[0].modes[0]: unknown mode \"runing\": did you mean \"running\"?\nconfig.yaml:6: alerts.draw[0].severity: unknown severity \"high\": known here are danger, caution, notice"},
		{"draw, names", alerts("draw: [{name: x, above: 1}, {name: x, above: 2}, {above: 1}]"), "6: alerts.draw[2].name: missing: give the rule a short name of its own, such as high-idle\nconfig.yaml:6: alerts.draw[1].name: \"x\" is already the name of the rule on line 6: give each its own"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := parseTold(tt.file)
			if err == nil {
				t.Fatal("it was accepted")
			}
			if d := cmp.Diff("config.yaml:"+tt.want, err.Error()); d != "" {
				t.Error(d)
			}
			if strings.Contains(err.Error(), "HIDDEN") {
				t.Errorf("a secret got out: %v", err)
			}
		})
	}
}

func kinds() string {
	var all []string
	for _, k := range bench.AlertKinds() {
		all = append(all, string(k))
	}
	return strings.Join(all, ", ")
}

// TestQuietAgrees holds the check of times of the day against the package that
// reads them, which knows no line numbers.
func TestQuietAgrees(t *testing.T) {
	for _, text := range []string{
		"22:00-07:00", "00:00-24:00", "mon-fri 22:00-07:00", "sat,sun 00:00-24:00", "fri-mon,wed 09:30-10:00",
		"", "-", "22:00", "22:00-", "24:00-07:00", "22:00-24:01", "22-07", "2:00-07:00", "22:00-22:00", "22:60-07:00", "22:00 - 07:00", "7:00-07:00", "0:00-00:00", "00:00-0:00",
		"mon", "mon 22:00", "mo 22:00-07:00", "mon- 22:00-07:00", "mon,, 22:00-07:00", "Mon 22:00-07:00", "mon  22:00-07:00", "mon-fri-sun 22:00-07:00", " 22:00-07:00",
	} {
		_, here := parse(good + "people: {kim: {quiet: [" + quote(text) + "]}}\n")
		_, there := roster.ParseSpan(text)
		if (here == nil) != (there == nil) {
			t.Errorf("%q: %v here, %v in roster", text, here, there)
		}
	}
}
