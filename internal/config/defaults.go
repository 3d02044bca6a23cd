package config

import "time"

// Defaults of keys that may be left out. A station's name defaults to its ID,
// its window to its profile's, its power to supply where it has a supply and
// to battery where it has none.
const (
	DefaultListen   = "127.0.0.1:8420"
	DefaultProfiles = "profiles"
	DefaultSysfs    = "/sys"
	DefaultRescan   = 3 * time.Second
	DefaultScan     = 60 * time.Second
	DefaultQuery    = "MEAS:VOLT?;CURR?"
	DefaultEvery    = 100 * time.Millisecond
	DefaultTimeout  = 500 * time.Millisecond
	DefaultSilence  = 5 * time.Second  // of a meter that prints by itself
	DefaultLull     = 30 * time.Second // of a thermometer
	DefaultKeep     = 366 * 24 * time.Hour
	DefaultSize     = "10GB"

	DefaultRepeat    = 5 * time.Minute
	DefaultEscalate  = 10 * time.Minute
	DefaultHeartbeat = time.Minute
	DefaultOutlet    = "phones"         // the outlet where none is named
	DefaultDelivery  = 10 * time.Second // timeout of an outlet
	DefaultPerMinute = 30
	DefaultMethod    = "POST"
	DefaultWithin    = 10 * time.Second // of a change of the current
	DefaultFor       = 5 * time.Second  // before the current is told of
)

// Limits. The floors keep a forgotten digit from flooding an instrument or
// the bus, the ceilings from watching next to nothing.
const (
	minRescan, maxRescan   = 100 * time.Millisecond, 10 * time.Minute
	minScan, maxScan       = time.Second, 24 * time.Hour
	minEvery, maxEvery     = 10 * time.Millisecond, time.Minute
	minTimeout, maxTimeout = 10 * time.Millisecond, time.Minute
	maxLull                = time.Hour
	minWindow, maxWindow   = time.Second, 30 * 24 * time.Hour
	minKeep, maxKeep       = time.Hour, 100 * 366 * 24 * time.Hour
	minSize, maxSize       = 10 * megabyte, 100_000_000 * megabyte
	megabyte               = 1_000_000

	minRepeat, maxRepeat       = 30 * time.Second, 24 * time.Hour
	minHeartbeat, maxHeartbeat = 10 * time.Second, time.Hour
	minDelivery, maxDelivery   = time.Second, 2 * time.Minute
	maxPerMinute               = 600
	maxHold                    = time.Hour
	minFor, maxFor             = time.Second, time.Hour
)

// Never is the word for a cross-check that is not made, and for alerts that are
// not repeated.
const Never = "off"

// defaults are the keys that always exist, as they would stand in the file.
func defaults() map[string]string {
	return map[string]string{
		"listen":      DefaultListen,
		"profiles":    DefaultProfiles,
		"traces.keep": short(DefaultKeep),
		"traces.size": DefaultSize,

		"usb.sysfs":  DefaultSysfs,
		"usb.rescan": short(DefaultRescan),
		"usb.scan":   short(DefaultScan),

		"inhibit_sleep": "true",
		"auto":          Nothing,

		"alerts.repeat":   short(DefaultRepeat),
		"alerts.escalate": short(DefaultEscalate),
	}
}
