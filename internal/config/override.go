package config

import (
	"reflect"
	"slices"
	"strings"
)

// EnvPrefix begins the name of every environment variable that is read.
const EnvPrefix = "BENCHVIGIL_"

// EnvName is the environment variable of a key: BENCHVIGIL_USB_SYSFS for
// usb.sysfs.
func EnvName(key string) string {
	return EnvPrefix + strings.ToUpper(strings.ReplaceAll(key, ".", "_"))
}

// Keys lists the keys that flags and environment variables can give: those
// with one plain value that belong to no station.
func Keys() []string { return plainKeys("", reflect.TypeFor[rawConfig]()) }

func plainKeys(below string, t reflect.Type) (keys []string) {
	for i := range t.NumField() {
		f := t.Field(i)
		key := below + f.Tag.Get("mapstructure")
		switch f.Type.Kind() {
		case reflect.String:
			keys = append(keys, key)
		case reflect.Struct:
			keys = append(keys, plainKeys(key+".", f.Type)...)
		default: // stations
		}
	}
	return keys
}

// override collects what the command line and the environment give, and notes
// by which way. An empty variable is none.
func (r *report) override(o Options) map[string]string {
	out := map[string]string{}
	for _, key := range Keys() {
		if text, ok := o.Flags[key]; ok {
			out[key], r.given[key] = text, "flag "+FlagName(key)
			continue
		}
		if o.Env == nil {
			continue
		}
		if text := o.Env(EnvName(key)); text != "" {
			out[key], r.given[key] = text, "environment variable "+EnvName(key)
		}
	}
	return out
}

// Strangers names the variables of an environment, as os.Environ gives it,
// that look like ours and give no key. An empty one is none.
func Strangers(environ []string) (warnings []string) {
	var known []string
	for _, key := range Keys() {
		known = append(known, strings.TrimPrefix(EnvName(key), EnvPrefix))
	}
	known = append(known, "TOKEN", "AUTHORITY") // of who asks a bench from elsewhere
	for _, pair := range environ {
		name, value, _ := strings.Cut(pair, "=")
		rest, ours := strings.CutPrefix(name, EnvPrefix)
		if !ours || value == "" || slices.Contains(known, rest) {
			continue
		}
		text := "environment variable " + name + " means nothing: "
		if best := nearest(rest, known); best != "" {
			text += "did you mean " + EnvPrefix + best + "?"
		} else {
			text += "there are " + EnvPrefix + strings.Join(known, ", "+EnvPrefix)
		}
		warnings = append(warnings, text)
	}
	return warnings
}

// FlagName is the flag of a key: --usb-sysfs for usb.sysfs.
func FlagName(key string) string { return "--" + strings.ReplaceAll(key, ".", "-") }
