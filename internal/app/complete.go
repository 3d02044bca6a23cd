package app

import (
	"context"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"benchvigil/configs"
	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/profile"
)

// What a shell offers at a press of Tab. Whatever cannot be found out is left
// out: a completion has nowhere to say why.

// offerWithin is how long somebody waits at a press of Tab.
const offerWithin = time.Second

// OfferStations lists the stations of the bench that runs, or else those of a
// configuration.
func OfferStations(ctx context.Context, url, file string) (ids []string) {
	ctx, cancel := context.WithTimeout(ctx, offerWithin)
	defer cancel()
	if c, err := newClient(url); err == nil {
		if all, _, err := c.stations(ctx); err == nil {
			for _, s := range all {
				ids = append(ids, s.Station)
			}
			return ids
		}
	}
	return OfferConfigured(file)
}

// OfferConfigured lists the stations of a configuration.
func OfferConfigured(file string) (ids []string) {
	c, err := config.Load(file)
	if err != nil {
		return nil
	}
	for _, s := range c.Stations {
		ids = append(ids, s.ID)
	}
	return ids
}

// OfferProfiles lists the profiles that a configuration can name; beside one
// that is not there yet, the usual folder has them.
func OfferProfiles(file string) []string {
	all, err := profile.LoadDir(os.DirFS(profileFolder(file)))
	if err != nil {
		return nil
	}
	return slices.Sorted(maps.Keys(all))
}

// OfferFamilies lists the profiles that can be named without a file: those of the
// configuration and the shipped ones.
func OfferFamilies() []string {
	names := OfferProfiles(DefaultConfig)
	if all, err := profile.LoadDir(configs.Profiles()); err == nil {
		names = append(names, slices.Collect(maps.Keys(all))...)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// OfferMarks lists what can follow the words of a mark: its kind, and word by
// word the screen of a screen mark and the goal of an arm mark.
func OfferMarks(words []string) (next []string) {
	switch {
	case len(words) == 0:
		return bench.MarkKinds()
	case words[0] == bench.MarkArm:
		return offerGoal(words[1:])
	case words[0] != bench.MarkScreen:
		return nil
	}
	for _, s := range bench.Screens() {
		screen := strings.Fields(string(s))
		said := words[1:]
		if len(said) < len(screen) && slices.EqualFunc(said, screen[:len(said)], strings.EqualFold) {
			next = append(next, screen[len(said)])
		}
	}
	return next
}

// offerGoal lists what can follow the words of a goal; times are for people.
func offerGoal(words []string) (next []string) {
	reach := len(words) > 0 && words[0] == string(bench.GoalReach)
	switch {
	case len(words) == 0:
		return []string{string(bench.GoalStay), string(bench.GoalReach), string(bench.GoalCopy), string(bench.GoalRePair)}
	case reach && len(words) == 1:
		for _, m := range bench.Reachable() {
			next = append(next, string(m))
		}
	case reach && len(words) == 2, len(words) == 1 && words[0] != string(bench.GoalStay):
		return []string{"within"}
	}
	return next
}
