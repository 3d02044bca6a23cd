package config

import (
	"reflect"
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

// FlagName is the flag of a key: --usb-sysfs for usb.sysfs.
func FlagName(key string) string { return "--" + strings.ReplaceAll(key, ".", "-") }
