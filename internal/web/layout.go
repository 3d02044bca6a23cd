package web

import (
	"context"
	"io"

	"github.com/a-h/templ"
)

// sheets are the style sheets of a page; those that it names itself come last.
func (l *Look) sheets() []string {
	out := []string{"style.css", "marks.css"}
	if l.HasAlerts {
		out = append(out, "alerts.css")
	}
	if l.Phone {
		out = append(out, "phone.css", "theme.css")
	}
	return append(out, l.Sheets...)
}

// scripts are those of a page besides app.js.
func (l *Look) scripts() []string {
	if l.Phone {
		return append([]string{"phone.js"}, l.Scripts...)
	}
	return l.Scripts
}

// again is when, and as which page, it loads itself without script.
func (l *Look) again() string {
	switch {
	case l.Again != "":
		return "5; url=" + l.Again
	case l.Slow:
		return "30"
	}
	return "5"
}

const firstStation = `stations:
  - id: left-1
    port: 1-2                        # from /sys/bus/usb/devices
    profile: invented-handset        # the device family
    supply:
      address: tcp://192.0.2.10:5025`

// old makes a component of a template of html/template.
func (s *Site) old(name string, data any) templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		return s.templates.ExecuteTemplate(w, name, data)
	})
}
