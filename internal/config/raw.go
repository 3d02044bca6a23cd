package config

import (
	"fmt"

	"github.com/spf13/viper"
)

// The raw types hold every value as it is written, so that its unit, or the
// lack of one, is seen. Their tags are the keys of the file: readTree takes
// them from here.
type rawConfig struct {
	Bench        string       `mapstructure:"bench"`
	Listen       string       `mapstructure:"listen"`
	TLS          rawTLS       `mapstructure:"tls"`
	Profiles     string       `mapstructure:"profiles"`
	InhibitSleep string       `mapstructure:"inhibit_sleep"`
	Auto         string       `mapstructure:"auto"`
	Traces       rawTraces    `mapstructure:"traces"`
	USB          rawUSB       `mapstructure:"usb"`
	Stations     []rawStation `mapstructure:"stations"`

	Link      string       `mapstructure:"link"`
	Contact   string       `mapstructure:"contact"`
	Heartbeat rawHeartbeat `mapstructure:"heartbeat"`
	Outlets   []rawOutlet  `mapstructure:"outlets"`
	People    []rawPerson  `mapstructure:"people"`
	Alerts    rawAlerts    `mapstructure:"alerts"`
}

type rawTLS struct {
	Certificate string `mapstructure:"certificate"`
	Key         string `mapstructure:"key"`
}

// entryName and entryValue are the tags of a struct that stands in a mapping
// under a name of the user's: the name, and where the entry is one plain value,
// that. Such a mapping is a slice here, so that it keeps its order, and names
// keep their capitals and dots, which viper would change.
const (
	entryName  = "<name>"
	entryValue = "<value>"
)

type rawHeartbeat struct {
	URL   string `mapstructure:"url"`
	Every string `mapstructure:"every"`
}

type rawOutlet struct {
	Name         string     `mapstructure:"<name>"`
	Kind         string     `mapstructure:"kind"`
	URL          string     `mapstructure:"url"`
	URLFile      string     `mapstructure:"url_file"`
	Secret       string     `mapstructure:"secret"`
	SecretFile   string     `mapstructure:"secret_file"`
	Method       string     `mapstructure:"method"`
	Headers      []rawEntry `mapstructure:"headers"`
	Body         string     `mapstructure:"body"`
	Server       string     `mapstructure:"server"`
	User         string     `mapstructure:"user"`
	Password     string     `mapstructure:"password"`
	PasswordFile string     `mapstructure:"password_file"`
	From         string     `mapstructure:"from"`
	To           []string   `mapstructure:"to"`
	TLS          string     `mapstructure:"tls"`
	Timeout      string     `mapstructure:"timeout"`
	PerMinute    string     `mapstructure:"per_minute"`
}

type rawEntry struct {
	Name  string `mapstructure:"<name>"`
	Value string `mapstructure:"<value>"`
}

type rawPerson struct {
	Name    string   `mapstructure:"<name>"`
	Outlets []string `mapstructure:"outlets"`
	Quiet   []string `mapstructure:"quiet"`
}

type rawAlerts struct {
	Repeat   string     `mapstructure:"repeat"`
	Escalate string     `mapstructure:"escalate"`
	Tell     []rawTell  `mapstructure:"tell"`
	Hold     []rawEntry `mapstructure:"hold"`
	Draw     []rawDraw  `mapstructure:"draw"`
}

type rawTell struct {
	Stations   []string `mapstructure:"stations"`
	Severities []string `mapstructure:"severities"`
	Kinds      []string `mapstructure:"kinds"`
	Tell       []string `mapstructure:"tell"`
	Then       []string `mapstructure:"then"`
}

type rawDraw struct {
	Name      string   `mapstructure:"name"`
	Stations  []string `mapstructure:"stations"`
	Profiles  []string `mapstructure:"profiles"`
	Modes     []string `mapstructure:"modes"`
	Above     string   `mapstructure:"above"`
	Below     string   `mapstructure:"below"`
	Outside   []string `mapstructure:"outside"`
	ChangedBy string   `mapstructure:"changed_by"`
	Within    string   `mapstructure:"within"`
	For       string   `mapstructure:"for"`
	Severity  string   `mapstructure:"severity"`
}

type rawTraces struct {
	Keep string `mapstructure:"keep"`
	Size string `mapstructure:"size"`
}

type rawUSB struct {
	Sysfs  string `mapstructure:"sysfs"`
	Rescan string `mapstructure:"rescan"`
	Scan   string `mapstructure:"scan"`
}

type rawStation struct {
	ID          string          `mapstructure:"id"`
	Name        string          `mapstructure:"name"`
	Port        string          `mapstructure:"port"`
	Profile     string          `mapstructure:"profile"`
	Window      string          `mapstructure:"window"`
	Power       string          `mapstructure:"power"`
	VBUS        string          `mapstructure:"vbus"`
	Auto        string          `mapstructure:"auto"`
	Supply      *rawSupply      `mapstructure:"supply"`
	VBUSMeter   *rawSupply      `mapstructure:"vbus_meter"`
	Thermometer *rawThermometer `mapstructure:"thermometer"`
}

type rawSupply struct {
	Address          string `mapstructure:"address"`
	Kind             string `mapstructure:"kind"`
	Query            string `mapstructure:"query"`
	VoltsQuery       string `mapstructure:"volts_query"`
	AmpsQuery        string `mapstructure:"amps_query"`
	OutputQuery      string `mapstructure:"output_query"`
	SetVoltsQuery    string `mapstructure:"set_volts_query"`
	LimitQuery       string `mapstructure:"limit_query"`
	TemperatureQuery string `mapstructure:"temperature_query"`
	Select           string `mapstructure:"select"`
	Pattern          string `mapstructure:"pattern"`
	Every            string `mapstructure:"every"`
	Timeout          string `mapstructure:"timeout"`
}

type rawThermometer struct {
	Address string `mapstructure:"address"`
	Pattern string `mapstructure:"pattern"`
	Timeout string `mapstructure:"timeout"`
}

// decode lays what the file says over the defaults, and over both what was
// given by other ways. It cannot fail on a file that readTree went through, only
// on raw types that do not fit together.
func decode(tree map[string]any, given map[string]string) (rawConfig, error) {
	v := viper.New()
	for key, text := range defaults() {
		v.SetDefault(key, text)
	}
	var raw rawConfig
	if err := v.MergeConfigMap(tree); err != nil {
		return raw, fmt.Errorf("merge configuration: %w", err)
	}
	for key, text := range given {
		v.Set(key, text)
	}
	if err := v.UnmarshalExact(&raw); err != nil {
		return raw, fmt.Errorf("decode configuration: %w", err)
	}
	return raw, nil
}
