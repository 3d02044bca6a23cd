package web

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

// htmxConfig lets a lost stream come again soon and go on in a tab behind
// another, and keeps what only the browser knows: a first tap, what was opened.
const htmxConfig = `{"history":false,"includeIndicatorCSS":false,"morphIgnore":["data-htmx-powered","data-armed","open"],` +
	`"sse":{"reconnectDelay":500,"reconnectMaxDelay":2000,"connectTimeout":4000,"pauseOnBackground":false}}`

const firstStation = `stations:
  - id: left-1
    port: 1-2                        # from /sys/bus/usb/devices
    profile: invented-handset        # the device family
    supply:
      address: tcp://192.0.2.10:5025`
