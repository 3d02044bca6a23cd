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
	Profiles     string       `mapstructure:"profiles"`
	InhibitSleep string       `mapstructure:"inhibit_sleep"`
	Auto         string       `mapstructure:"auto"`
	Traces       rawTraces    `mapstructure:"traces"`
	USB          rawUSB       `mapstructure:"usb"`
	Stations     []rawStation `mapstructure:"stations"`
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
