package email

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/url"
	"strings"
	texttemplate "text/template"
	"unicode"

	gomail "github.com/wneessen/go-mail"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
)

// mostSubject bounds a subject, in letters.
const mostSubject = 150

// write makes the mail for one receiver.
func (o *Outlet) write(m *alert.Message, to string) (*gomail.Msg, error) {
	msg := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	if err := msg.From(o.o.From); err != nil {
		return nil, fmt.Errorf("from: %w", err)
	}
	if err := msg.To(to); err != nil {
		return nil, fmt.Errorf("to: %w", err)
	}
	msg.Subject(subject(m.Title()))
	msg.SetDateWithValue(m.Made)
	msg.SetMessageIDWithValue(o.id("message", m.Key))
	thread := "<" + o.id("alert", m.Alert.Key) + ">"
	msg.SetGenHeader(gomail.HeaderInReplyTo, thread)
	msg.SetGenHeader(gomail.HeaderReferences, thread)
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: nobody's absence note answers it
	if m.Alert.Severity == bench.Danger && !m.Quiet() {
		msg.SetImportance(gomail.ImportanceHigh)
	}
	b := o.bodyOf(m)
	var text, html strings.Builder
	if err := plain.Execute(&text, b); err != nil {
		return nil, fmt.Errorf("write mail: %w", err)
	}
	if err := page.Execute(&html, b); err != nil {
		return nil, fmt.Errorf("write mail: %w", err)
	}
	msg.SetBodyString(gomail.TypeTextPlain, text.String())
	msg.AddAlternativeString(gomail.TypeTextHTML, html.String())
	return msg, nil
}

// id is a Message-ID made of a key: its domain is that of the sender.
func (o *Outlet) id(what, key string) string {
	sum := sha256.Sum256([]byte(what + "\x00" + key))
	domain := o.from.Address[strings.LastIndexByte(o.from.Address, '@')+1:]
	return hex.EncodeToString(sum[:16]) + ".benchvigil@" + domain
}

// subject is a title in one line: what could begin another header is no part of
// it.
func subject(title string) string {
	title = strings.Join(strings.FieldsFunc(title, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) }), " ")
	if letters := []rune(title); len(letters) > mostSubject {
		title = string(letters[:mostSubject-1]) + "…"
	}
	return title
}

// body is what a mail says.
type body struct {
	Title, Text, Do string
	Why             []string
	Facts           []fact
	Link            string
	Bench           string
	Parted          bool
}

type fact struct{ What, Value string }

func (o *Outlet) bodyOf(m *alert.Message) body {
	a := &m.Alert
	b := body{Title: m.Title(), Text: m.Text(), Do: a.Do, Why: a.Why, Bench: m.Bench, Parted: m.Parted}
	if u, err := url.Parse(m.Link); err == nil && (u.Scheme == "https" || u.Scheme == "http") {
		b.Link = m.Link
	}
	add := func(what, value string) {
		if value != "" {
			b.Facts = append(b.Facts, fact{what, value})
		}
	}
	add("Station", a.Name)
	add("Case", a.Case)
	if !a.Since.IsZero() {
		add("Since", a.Since.In(o.o.Zone).Format("2 Jan 2006, 15:04:05 MST"))
	}
	if amps, ok := a.Amps.Get(); ok {
		add("Current now", amps.String())
	}
	if amps, ok := a.Before.Get(); ok {
		add("Just before", amps.String())
	}
	return b
}

var plain = texttemplate.Must(texttemplate.New("text").Parse(`{{.Title}}

{{.Text}}
{{with .Do}}
What to do: {{.}}
{{end}}{{with .Why}}
Why:
{{range .}}- {{.}}
{{end}}{{end}}
{{range .Facts}}{{.What}}: {{.Value}}
{{end}}{{with .Link}}
{{.}}
{{end}}{{if .Parted}}
The bench cannot write its records now: this mail may come twice.
{{end}}
-- 
benchvigil at {{.Bench}}
`))

var page = template.Must(template.New("html").Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{{.Title}}</title></head>
<body style="font: 16px/1.4 sans-serif; max-width: 40em">
<h1 style="font-size: 1.2em">{{.Title}}</h1>
<p>{{.Text}}</p>
{{with .Do}}<p><b>What to do:</b> {{.}}</p>
{{end}}{{with .Why}}<p><b>Why:</b></p><ul>{{range .}}<li>{{.}}</li>{{end}}</ul>
{{end}}{{with .Facts}}<table>{{range .}}<tr><th style="text-align: left; padding-right: 1em">{{.What}}</th><td>{{.Value}}</td></tr>{{end}}</table>
{{end}}{{with .Link}}<p><a href="{{.}}">Open the alert</a></p>
{{end}}{{if .Parted}}<p>The bench cannot write its records now: this mail may come twice.</p>
{{end}}<p style="color: #555">benchvigil at {{.Bench}}</p>
</body></html>
`))
