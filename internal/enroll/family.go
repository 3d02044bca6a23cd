package enroll

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
)

// family offers the profiles that know the identity that was seen.
func (s *session) family(context.Context) error {
	fits := fitting(s.families, s.seen.ID)
	all := slices.Sorted(maps.Keys(s.families))
	switch {
	case s.Profile != "":
	case len(fits) > 0:
		s.say("%v is known in: %s", s.seen.ID, strings.Join(fits, ", "))
	default:
		s.say("Profiles: %s", strings.Join(all, ", "))
	}
	propose := ""
	if len(fits) > 0 {
		propose = fits[0]
	} else if len(all) == 1 {
		propose = all[0]
	}
	name, err := s.answer(question{given: s.Profile, flag: "--profile", text: "Profile, the family of the device", propose: propose, help: "it says how the modes of the device show on USB and in the current; there are " + strings.Join(all, ", "), check: func(name string) error {
		if s.families[name] == nil {
			return fmt.Errorf("unknown profile %q: there are %s", name, strings.Join(all, ", "))
		}
		return nil
	}})
	if err != nil {
		return err
	}
	s.entry.Profile = name
	return s.feed()
}

// feed asks whether the port feeds the board.
func (s *session) feed() (err error) {
	s.entry.VBUS = s.VBUS && s.entry.Port != ""
	if s.VBUS || s.VBUSGiven || s.Yes || s.entry.Port == "" || s.entry.Address == "" {
		return nil
	}
	s.entry.VBUS, err = s.confirm("Does USB bus power feed the board too", "n",
		"y if the board also draws current from its USB cable, so that the supply shows less than it takes; n if the supply alone feeds it")
	return err
}

// fitting lists the profiles that know an identity, those that know it in most
// modes first.
func fitting(families map[string]*profile.Profile, id bench.USBID) (out []string) {
	modes := map[string]int{}
	for name, p := range families {
		for _, m := range p.Modes {
			if slices.Contains(m.USB, id) {
				modes[name]++
			}
		}
	}
	out = slices.Sorted(maps.Keys(modes))
	slices.SortStableFunc(out, func(a, b string) int { return modes[b] - modes[a] })
	return out
}
