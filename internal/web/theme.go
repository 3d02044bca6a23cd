package web

import (
	"net/http"
	"slices"
	"time"
)

// Pages for a phone are black on white by day, whatever the phone would rather
// have, since in sunlight nothing else can be read; by night they follow the
// phone. Who wants it otherwise says so once in that browser.

const themeCookie = "theme"

// The themes that can be chosen; themeAuto is by the sun.
const (
	themeLight = "light"
	themeDark  = "dark"
	themeAuto  = "auto"
)

var themeChoices = []struct{ Name, Word string }{
	{themeAuto, "By the sun"}, {themeLight, "Light"}, {themeDark, "Dark"},
}

// Hours of the bench within which the sun may shine on a phone.
const dayFrom, dayTo = 7, 19

// themeOf is the theme of a page for a phone; empty follows the phone.
func themeOf(chosen string, hour int) string {
	switch {
	case chosen == themeLight, chosen == themeDark:
		return chosen
	case hour >= dayFrom && hour < dayTo:
		return themeLight
	}
	return ""
}

// chosenTheme is what was chosen in this browser.
func chosenTheme(r *http.Request) string {
	c, err := r.Cookie(themeCookie)
	if err != nil || (c.Value != themeLight && c.Value != themeDark) {
		return themeAuto
	}
	return c.Value
}

// serveTheme keeps what was chosen.
func (s *Site) serveTheme(w http.ResponseWriter, r *http.Request) {
	if !s.formOf(w, r) {
		return
	}
	name := r.PostForm.Get("theme")
	if !slices.ContainsFunc(themeChoices, func(t struct{ Name, Word string }) bool { return t.Name == name }) {
		s.refuse(w, r, http.StatusUnprocessableEntity, "There is no such theme: want auto, light or dark.")
		return
	}
	http.SetCookie(w, &http.Cookie{ //nolint:gosec // Secure wherever it can be
		Name: themeCookie, Value: name, Path: "/", MaxAge: int(remembered / time.Second),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
	http.Redirect(w, r, "/m", http.StatusSeeOther)
}
