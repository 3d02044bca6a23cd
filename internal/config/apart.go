package config

import (
	"fmt"
	"strings"
)

// apart checks that no two stations claim the same thing.
func (c *checker) apart(stations []Station) {
	ids, ports := map[string]int{}, map[string]string{}
	var uses []use
	for i, s := range stations {
		path := fmt.Sprintf("stations[%d]", i)
		if first, taken := ids[s.ID]; taken && s.ID != "" {
			c.fail(path+".id", "%q is already the ID of the station on line %d: give each station its own", s.ID,
				c.line(fmt.Sprintf("stations[%d].id", first)))
		} else {
			ids[s.ID] = i
		}
		if first, taken := ports[s.Port]; taken && s.Port != "" {
			c.fail(path+".port", "%s is already used by station %q: give each station its own port", s.Port, first)
		} else {
			ports[s.Port] = s.ID
		}
		uses = append(uses, usesOf(path, s)...)
	}
	c.shared(uses)
}

// use is an instrument in one of its places.
type use struct {
	path  string
	owner string
	place place
	Supply
}

// usesOf lists the instruments of a station.
func usesOf(path string, s Station) (out []use) {
	add := func(key, owner string, a Supply, ok bool) {
		if p, err := placeOf(a.Address); ok && err == nil {
			out = append(out, use{path + "." + key, owner, p, a})
		}
	}
	station := fmt.Sprintf("station %q", s.ID)
	a, ok := s.Supply.Get()
	add("supply", station, a, ok)
	a, ok = s.VBUSMeter.Get()
	add("vbus_meter", "the vbus_meter of "+station, a, ok)
	a, ok = s.Thermometer.Get()
	add("thermometer", "the thermometer of "+station, a, ok)
	return out
}

// shared checks that what is said about one instrument in several places fits
// together.
func (c *checker) shared(uses []use) {
	for i, u := range uses {
		for _, first := range uses[:i] {
			if first.place.scheme != u.place.scheme || first.place.at != u.place.at {
				continue
			}
			if c.clash(first, u) {
				break
			}
		}
	}
}

// clash reports two uses of one instrument that cannot go on beside each other.
func (c *checker) clash(first, u use) bool {
	line := u.place.scheme != "tcp" // one program at a time
	switch {
	case first.place.settings != u.place.settings:
		c.fail(u.path+".address", "%s is used by %s with %s: one line has one speed, write the same here",
			u.place.at, first.owner, first.place.settings)
	case line && first.Pattern+u.Pattern != "":
		c.fail(u.path+".address", "%s is used by %s already, and a meter that prints by itself serves one: "+
			"where it tells a temperature too, add the group celsius to that pattern", u.place.at, first.owner)
	case first.reading() == u.reading():
		c.fail(u.path, "asks the same instrument the same question as %s, "+
			"but one reading cannot tell of two boards: query each one's own channel", first.owner)
	default:
		return false
	}
	return true
}

// reading is what tells one reading of an instrument from another.
func (s Supply) reading() string {
	return strings.Join([]string{s.Select, s.Query, s.VoltsQuery, s.AmpsQuery, s.Pattern}, "\n")
}
