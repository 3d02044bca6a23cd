package config_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/config"
	"benchvigil/internal/profile"
)

// good is a file in which the refused ones change a line.
const good = `bench: north
stations:
  - id: s1
    port: 1-2
    profile: handset
`

func TestRefused(t *testing.T) {
	for _, tt := range []struct {
		name, file string
		want       []string // the whole error, line by line
	}{
		// The file as a whole.
		{"empty", "", []string{
			`config.yaml: the file is empty: a bench needs at least its name and one station`,
		}},
		{"only a comment", "# nothing yet\n", []string{
			`config.yaml: the file is empty: a bench needs at least its name and one station`,
		}},
		{"only a document mark", "---\n", []string{
			`config.yaml: the file is empty: a bench needs at least its name and one station`,
		}},
		{"not keys and values", "\nhello\n", []string{
			`config.yaml:2: this is not a configuration: it must hold keys and values, such as "bench: north"`,
		}},
		{"a list", "- bench\n", []string{
			`config.yaml:1: this is not a configuration: it must hold keys and values, such as "bench: north"`,
		}},
		{"not YAML", "bench: [north\n", []string{
			`config.yaml:1: this is not YAML: did not find expected ',' or ']'`,
		}},
		{"two keys on a line", "bench: north\nlisten: port: 1\n", []string{
			`config.yaml:2: this is not YAML: mapping values are not allowed in this context`,
		}},
		{"not text", "\x00\x01\x02", []string{
			`config.yaml: this is not YAML: control characters are not allowed`,
		}},
		{"tab", "bench: north\nstations:\n\t- id: s1\n", []string{
			`config.yaml:3: a tab indents this line: YAML wants spaces`,
		}},
		{"two documents", good + "---\nbench: south\n", []string{
			`config.yaml:6: a second document starts here and would be ignored: remove the line "---"`,
		}},
		{"unknown anchor", "bench: *north\n", []string{
			`config.yaml: this is not YAML: unknown anchor 'north' referenced`,
		}},

		// Keys.
		{"unknown key, like a known one", good + "lisen: 127.0.0.1:1\n", []string{
			`config.yaml:6: lisen: unknown key: did you mean "listen"?`,
		}},
		{"unknown key, letters swapped", good + "    prot: 1-3\n", []string{
			`config.yaml:6: stations[0].prot: unknown key: did you mean "port"?`,
		}},
		{"unknown key, capitals", good + "Listen: 127.0.0.1:1\n", []string{
			`config.yaml:6: Listen: unknown key: did you mean "listen"?`,
		}},
		{"unknown key, dash", good + "    supply: {address: psu, volts-query: 'V?'}\n", []string{
			`config.yaml:6: stations[0].supply.volts-query: unknown key: did you mean "volts_query"?`,
		}},
		{"auto, no such mode", good + "    auto: running\n", []string{
			`config.yaml:6: stations[0].auto: "running" arms nothing: write restoring, re-pairing, both with a comma between them, or none`,
		}},
		{"auto, not of the family", good + "    auto: restoring\n", []string{
			`config.yaml:6: stations[0].auto: the profile handset has no mode restoring`,
		}},
		{"auto of the bench", good + "auto: restoring,\n", []string{
			`config.yaml:6: auto: "" arms nothing: write restoring, re-pairing, both with a comma between them, or none`,
		}},
		{"traces, too short", good + "traces: {keep: 10m}\n", []string{
			`config.yaml:6: traces.keep: 10m is too short: the least is 1h`,
		}},
		{"traces, no unit", good + "traces: {size: 10}\n", []string{
			`config.yaml:6: traces.size: "10" is no size: write a whole number and its unit, such as 500MB or 10GB`,
		}},
		{"traces, too small", good + "traces: {size: 1MB}\n", []string{
			`config.yaml:6: traces.size: 1MB is too small: the least is 10MB`,
		}},
		{"traces, too large", good + "traces: {size: 2000000000 TB}\n", []string{
			`config.yaml:6: traces.size: 2000000000 TB is too large: the most is 100TB`,
		}},
		{"traces, less than nothing", good + "traces: {size: -5 GB}\n", []string{
			`config.yaml:6: traces.size: -5 GB is too small: the least is 10MB`,
		}},
		{"unknown key, like none", good + "colour: red\n", []string{
			`config.yaml:6: colour: unknown key: known here are bench, listen, tls, profiles, inhibit_sleep, auto, traces, usb, stations, link, contact, heartbeat, outlets, people, alerts`,
		}},
		{"unknown key, on two lines", good + "\"a\\nb\": 1\n", []string{
			`config.yaml:6: "a\nb": unknown key: known here are bench, listen, tls, profiles, inhibit_sleep, auto, traces, usb, stations, link, contact, heartbeat, outlets, people, alerts`,
		}},
		{"key given twice", good + "bench: south\n", []string{
			`config.yaml:6: bench: given twice, first on line 1: keep one`,
		}},
		{"station key given twice", good + "    port: 1-3\n", []string{
			`config.yaml:6: stations[0].port: given twice, first on line 4: keep one`,
		}},
		{"no value", good + "    window:\n", []string{
			`config.yaml:6: stations[0].window: no value: write one, or leave the key out`,
		}},
		{"empty value", good + "    window: \"\"\n", []string{
			`config.yaml:6: stations[0].window: no value: write one, or leave the key out`,
		}},
		{"list for a value", good + "    window: [210s]\n", []string{
			`config.yaml:6: stations[0].window: must be one plain value, not a list`,
		}},
		{"keys for a value", good + "    window: {least: 210s}\n", []string{
			`config.yaml:6: stations[0].window: must be one plain value, not keys and values`,
		}},
		{"value for keys", good + "usb: off\n", []string{
			`config.yaml:6: usb: must hold keys and values (sysfs, rescan, scan), not a plain value`,
		}},
		{"stations not a list", "bench: north\nstations:\n  s1: {profile: handset}\n", []string{
			`config.yaml:2: stations: must be a list, each entry starting with "- ", not keys and values`,
		}},
		{"station a word", good + "  - s2\n", []string{
			`config.yaml:6: stations[1]: must hold keys and values (id, name, port, profile, window, power, vbus, auto, supply, vbus_meter, thermometer), not a plain value`,
		}},

		// Bench and page.
		{"no bench", "stations:\n  - {id: s1, profile: handset}\n", []string{
			`config.yaml:1: bench: missing: give this bench a name, such as north`,
		}},
		{"bench with a space", replace("bench: north", "bench: North side"), []string{
			`config.yaml:1: bench: "North side" must be 1 to 32 small letters, digits and dashes, starting with a letter or digit`,
		}},
		{"listen on every address", good + "listen: 0.0.0.0:8420\n", []string{
			`config.yaml:6: listen: "0.0.0.0:8420": listening beyond this computer needs TLS and login: make a certificate by benchvigil access certificate, name its files in tls.certificate and tls.key, and enter people by benchvigil access user add NAME; or write 127.0.0.1:8420`,
		}},
		{"listen without an address", good + "listen: :8421\n", []string{
			`config.yaml:6: listen: ":8421": listening beyond this computer needs TLS and login: make a certificate by benchvigil access certificate, name its files in tls.certificate and tls.key, and enter people by benchvigil access user add NAME; or write 127.0.0.1:8420`,
		}},
		{"listen on a name", good + "listen: bench.example:8420\n", []string{
			`config.yaml:6: listen: "bench.example" is not the IP address of a network of this computer: write one, 0.0.0.0 for all, or 127.0.0.1:8420`,
		}},
		{"listen without a port", good + "listen: localhost\n", []string{
			`config.yaml:6: listen: "localhost" is not an address and a port: write 127.0.0.1:8420`,
		}},
		{"listen on a port too high", good + "listen: localhost:84200\n", []string{
			`config.yaml:6: listen: port "84200" must be a number from 0 to 65535, 0 for any free one`,
		}},

		// USB.
		{"rescan without unit", good + "usb: {rescan: 3}\n", []string{
			`config.yaml:6: usb.rescan: 3 has no unit: write 3s or 3ms`,
		}},
		{"rescan too short", good + "usb: {rescan: 1ms}\n", []string{
			`config.yaml:6: usb.rescan: 1ms is too short: the least is 100ms`,
		}},
		{"scan never, by zero", good + "usb: {scan: 0s}\n", []string{
			`config.yaml:6: usb.scan: 0s is too short: the least is 1s`,
		}},
		{"scan by a wrong word", good + "usb: {scan: never}\n", []string{
			`config.yaml:6: usb.scan: "never" is not a time: write a number and its unit, such as 150ms, 20s, 12m or 3h`,
		}},

		// Stations.
		{"no stations", "bench: north\n", []string{
			`config.yaml:1: stations: missing: a bench without stations watches nothing: add one`,
		}},
		{"stations empty", "bench: north\nstations: []\n", []string{
			`config.yaml:2: stations: missing: a bench without stations watches nothing: add one`,
		}},
		{"station without anything", "bench: north\nstations:\n  - name: Left\n", []string{
			`config.yaml:3: stations[0].id: missing: give the station a short name of its own, such as left-1`,
			`config.yaml:3: stations[0].profile: missing: name the device family, one of handset, tablet`,
		}},
		{"bad id", replace("id: s1", "id: s/1"), []string{
			`config.yaml:3: stations[0].id: "s/1" must be 1 to 32 small letters, digits and dashes, starting with a letter or digit`,
		}},
		{"bad name", good + "    name: \"Left\\n\"\n", []string{
			`config.yaml:6: stations[0].name: "Left\n" must be at most 64 printable characters, without space at the ends`,
		}},
		{"one id for two", good + "  - {id: s1, port: 1-3, profile: handset}\n", []string{
			`config.yaml:6: stations[1].id: "s1" is already the ID of the station on line 3: give each station its own`,
		}},
		{"one port for two", good + "  - {id: s2, port: 1-2, profile: handset}\n", []string{
			`config.yaml:6: stations[1].port: 1-2 is already used by station "s1": give each station its own port`,
		}},
		{"bad port", replace("port: 1-2", "port: usb1"), []string{
			`config.yaml:4: stations[0].port: "usb1" is not a USB port path: write bus and chain of ports as the kernel does, such as 1-2 or 1-2.3`,
		}},
		{"port of an interface", replace("port: 1-2", "port: 1-2:1.0"), []string{
			`config.yaml:4: stations[0].port: "1-2:1.0" is not a USB port path: write bus and chain of ports as the kernel does, such as 1-2 or 1-2.3`,
		}},
		{"port of a root hub", replace("port: 1-2", "port: 1-0"), []string{
			`config.yaml:4: stations[0].port: "1-0" is not a USB port path: write bus and chain of ports as the kernel does, such as 1-2 or 1-2.3`,
		}},
		{"unknown profile", replace("profile: handset", "profile: phone"), []string{
			`config.yaml:5: stations[0].profile: unknown profile "phone": known here are handset, tablet`,
		}},
		{"misspelt profile", replace("profile: handset", "profile: hand_sett"), []string{
			`config.yaml:5: stations[0].profile: unknown profile "hand_sett": did you mean "handset"?`,
		}},
		{"window without unit", good + "    window: 210\n", []string{
			`config.yaml:6: stations[0].window: 210 has no unit: write 210s or 210ms`,
		}},
		{"window too long", good + "    window: 1000h\n", []string{
			`config.yaml:6: stations[0].window: 1000h is too long: the most is 720h`,
		}},
		{"unknown power", good + "    power: mains\n", []string{
			`config.yaml:6: stations[0].power: "mains" is not a power path: use supply or battery`,
		}},
		{"vbus by a wrong word", good + "    vbus: yes\n", []string{
			`config.yaml:6: stations[0].vbus: "yes" must be true or false`,
		}},
		{"vbus without a port", "bench: north\nstations:\n  - id: s1\n    profile: handset\n    vbus: true\n", []string{
			`config.yaml:5: stations[0].vbus: USB power comes through a port, and without it a drop cannot be told from a change of feed: add port`,
		}},
		{"supply power with nothing to watch", "bench: north\nstations:\n  - id: s1\n    profile: handset\n    power: supply\n", []string{
			`config.yaml:5: stations[0].power: there is neither a supply nor a port to watch: add one of them, or write power: battery`,
		}},
		{"battery with a supply", good + "    power: battery\n    supply: {address: psu}\n", []string{
			`config.yaml:7: stations[0].supply: a battery feeds this board, so the readings of a supply would not be its own: remove supply, or write power: supply`,
		}},

		// Supplies.
		{"no address", good + "    supply: {every: 100ms}\n", []string{
			`config.yaml:6: stations[0].supply.address: missing: say where the instrument is, such as tcp://192.0.2.10:5025`,
		}},
		{"empty supply", good + "    supply: {}\n", []string{
			`config.yaml:6: stations[0].supply.address: missing: say where the instrument is, such as tcp://192.0.2.10:5025`,
		}},
		{"unknown scheme", good + "    supply: {address: \"http://psu\"}\n", []string{
			`config.yaml:6: stations[0].supply.address: "http://psu": "http" is not a way to reach an instrument: write tcp://host:port, serial:///dev/… or usbtmc:///dev/…`,
		}},
		{"bad port number", good + "    supply: {address: \"psu:99999\"}\n", []string{
			`config.yaml:6: stations[0].supply.address: "psu:99999": port "99999" is not a number from 1 to 65535: write tcp://host:port, such as tcp://192.0.2.10:5025`,
		}},
		{"bad host", good + "    supply: {address: \"p su\"}\n", []string{
			`config.yaml:6: stations[0].supply.address: "p su": "p su" is neither a host name nor an IP address: write tcp://host:port, such as tcp://192.0.2.10:5025`,
		}},
		{"every without unit", good + "    supply:\n      address: psu\n      every: 2\n", []string{
			`config.yaml:8: stations[0].supply.every: 2 has no unit: write 2s or 2ms`,
		}},
		{"every too short", good + "    supply: {address: psu, every: 5ms}\n", []string{
			`config.yaml:6: stations[0].supply.every: 5ms is too short: the least is 10ms`,
		}},
		{"timeout too long", good + "    supply: {address: psu, timeout: 2m}\n", []string{
			`config.yaml:6: stations[0].supply.timeout: 2m is too long: the most is 1m`,
		}},
		{"negative", good + "    supply: {address: psu, timeout: -2s}\n", []string{
			`config.yaml:6: stations[0].supply.timeout: -2s is too short: the least is 10ms`,
		}},
		{"a command", good + "    supply: {address: psu, query: \"MEAS:VOLT?;OUTP ON\"}\n", []string{
			`config.yaml:6: stations[0].supply.query: "MEAS:VOLT?;OUTP ON": "OUTP ON" is not a query: every part must end in "?", because benchvigil only asks`,
		}},
		{"amps before volts", good + "    supply: {address: psu, query: \"MEAS:CURR?;VOLT?\"}\n", []string{
			`config.yaml:6: stations[0].supply.query: "MEAS:CURR?;VOLT?" must ask for the volts before the amps: that is the order of the answers`,
		}},
		{"both ways to ask", good + "    supply: {address: psu, query: \"MEAS:VOLT?\", amps_query: \"MEAS:CURR?\"}\n", []string{
			`config.yaml:6: stations[0].supply.query: asks for what volts_query or amps_query ask for too: keep one way`,
		}},
		{"one reading for two", good + "    supply: {address: psu}\n  - {id: s2, profile: handset, supply: {address: \"tcp://psu\"}}\n", []string{
			`config.yaml:7: stations[1].supply: asks the same instrument the same question as station "s1", but one reading cannot tell of two boards: query each one's own channel`,
		}},

		{"serial device missing", good + "    supply: {address: \"serial://?baud=9600\"}\n", []string{
			`config.yaml:6: stations[0].supply.address: "serial://?baud=9600": the device is missing: write serial:///dev/serial/by-id/NAME?baud=9600&bits=8N1`,
		}},
		{"serial baud", good + "    supply: {address: \"serial:///dev/ttyUSB0?baud=fast\"}\n", []string{
			`config.yaml:6: stations[0].supply.address: "serial:///dev/ttyUSB0?baud=fast": baud=fast is not a number from 50 to 4000000: write serial:///dev/serial/by-id/NAME?baud=9600&bits=8N1`,
		}},
		{"serial setting", good + "    supply: {address: \"serial:///dev/ttyUSB0?speed=9600\"}\n", []string{
			`config.yaml:6: stations[0].supply.address: "serial:///dev/ttyUSB0?speed=9600": unknown setting "speed": there are baud and bits: write serial:///dev/serial/by-id/NAME?baud=9600&bits=8N1`,
		}},
		{"usbtmc by number", good + "    supply: {address: \"usbtmc://0\"}\n", []string{
			`config.yaml:6: stations[0].supply.address: "usbtmc://0": "0" is neither the path of a device nor a serial number: write usbtmc:///dev/usbtmc0, or usbtmc://serial/NUMBER by the instrument's serial number`,
		}},
		{"select that switches", good + "    supply: {address: psu, select: \"OUTP OFF\"}\n", []string{
			`config.yaml:6: stations[0].supply.select: "OUTP OFF" cannot be written to an instrument, because benchvigil only asks: the only commands are "INST:NSEL 2" and "INST:SEL CH2" with another number or name`,
		}},
		{"unknown kind", good + "    supply: {address: psu, kind: stream}\n", []string{
			`config.yaml:6: stations[0].supply.kind: "stream" is no kind of instrument: write scpi for one that answers questions, lines for one that prints by itself`,
		}},
		{"a pattern for one that is asked", good + "    supply: {address: psu, pattern: x}\n", []string{
			`config.yaml:6: stations[0].supply.pattern: reads the lines of a meter that prints by itself: write kind: lines beside it, or remove it`,
		}},
		{"lines without a pattern", good + "    supply: {address: psu, kind: lines}\n", []string{
			`config.yaml:6: stations[0].supply.pattern: missing: say how a line is read, such as '(?P<volts>[0-9.]+) V +(?P<amps>[0-9.]+) A'`,
		}},
		{"lines that are asked", good + "    supply:\n      address: psu\n      kind: lines\n      pattern: (?P<amps>.+)\n      query: V?\n      every: 1s\n", []string{
			`config.yaml:10: stations[0].supply.query: a meter of kind lines is not asked, it prints when it likes: remove it`,
			`config.yaml:11: stations[0].supply.every: a meter of kind lines is not asked, it prints when it likes: remove it`,
		}},
		{"lines over usbtmc", good + "    supply: {address: \"usbtmc:///dev/usbtmc0\", kind: lines, pattern: '(?P<amps>.+)'}\n", []string{
			`config.yaml:6: stations[0].supply.kind: what is reached by usbtmc only answers questions: remove kind and pattern, write its query`,
		}},
		{"a pattern that is none", good + "    supply: {address: psu, kind: lines, pattern: (}\n", []string{
			`config.yaml:6: stations[0].supply.pattern: "(" is not a regular expression: missing closing ): ` + "`(`",
		}},
		{"a group misspelt", good + "    supply: {address: psu, kind: lines, pattern: '(?P<milivolts>.+)'}\n", []string{
			`config.yaml:6: stations[0].supply.pattern: "(?P<milivolts>.+)" has a group "milivolts": did you mean "millivolts"?`,
		}},
		{"a group like none", good + "    supply: {address: psu, kind: lines, pattern: '(?P<watts>.+)'}\n", []string{
			`config.yaml:6: stations[0].supply.pattern: "(?P<watts>.+)" has a group "watts": known here are volts, millivolts, amps, milliamps, celsius`,
		}},
		{"a group twice", good + "    supply: {address: psu, kind: lines, pattern: '(?P<volts>.)(?P<millivolts>.)'}\n", []string{
			`config.yaml:6: stations[0].supply.pattern: "(?P<volts>.)(?P<millivolts>.)" has volts and millivolts: keep one`,
		}},
		{"the same group twice", good + "    supply: {address: psu, kind: lines, pattern: '(?P<volts>.)|(?P<volts>..)'}\n", []string{
			`config.yaml:6: stations[0].supply.pattern: "(?P<volts>.)|(?P<volts>..)" has the group "volts" twice: keep one`,
		}},
		{"a supply's pattern without power", good + "    supply: {address: psu, kind: lines, pattern: '(?P<celsius>.+)'}\n", []string{
			`config.yaml:6: stations[0].supply.pattern: "(?P<celsius>.+)" tells no value: it needs a group named volts, millivolts, amps, milliamps, such as (?P<volts>[0-9.]+)`,
		}},

		// Meters and thermometers.
		{"a meter without vbus", good + "    vbus_meter: {address: psu}\n", []string{
			`config.yaml:6: stations[0].vbus_meter: measures USB bus power, which does not feed this board: write vbus: true, or remove vbus_meter`,
		}},
		{"an empty thermometer", good + "    thermometer: {}\n", []string{
			`config.yaml:6: stations[0].thermometer.address: missing: say where the thermometer is, such as serial:///dev/serial/by-id/NAME?baud=9600`,
			`config.yaml:6: stations[0].thermometer.pattern: missing: say how a line is read, such as 'T=(?P<celsius>-?[0-9.]+)'`,
		}},
		{"a thermometer that tells volts", good + "    thermometer: {address: psu, pattern: '(?P<volts>.+)'}\n", []string{
			`config.yaml:6: stations[0].thermometer.pattern: "(?P<volts>.+)" has a group "volts": known here are celsius`,
		}},
		{"a thermometer over usbtmc", good + "    thermometer: {address: \"usbtmc:///dev/usbtmc0\", pattern: '(?P<celsius>.+)'}\n", []string{
			`config.yaml:6: stations[0].thermometer.address: what is reached by usbtmc only answers questions: write it as temperature_query of a supply or meter`,
		}},
		{"a thermometer that is asked", good + "    thermometer: {address: psu, pattern: '(?P<celsius>.+)', every: 1s}\n", []string{
			`config.yaml:6: stations[0].thermometer.every: unknown key: known here are address, pattern, timeout`,
		}},

		// One instrument in several places.
		{"one reading for supply and meter", good + "    vbus: true\n    supply: {address: psu}\n    vbus_meter: {address: \"psu:5025\"}\n", []string{
			`config.yaml:8: stations[0].vbus_meter: asks the same instrument the same question as station "s1", but one reading cannot tell of two boards: query each one's own channel`,
		}},
		{"two speeds", good + "    supply: {address: \"serial:///dev/ttyUSB0\"}\n  - {id: s2, profile: handset, supply: {address: \"serial:///dev/ttyUSB0?baud=300\", select: INST:NSEL 2}}\n", []string{
			`config.yaml:7: stations[1].supply.address: /dev/ttyUSB0 is used by station "s1" with baud=9600&bits=8N1: one line has one speed, write the same here`,
		}},
		{"a stream for two", good + "    supply: {address: \"serial:///dev/ttyUSB0\", kind: lines, pattern: '(?P<amps>.+)'}\n    thermometer: {address: \"serial:///dev/ttyUSB0\", pattern: '(?P<celsius>.+)'}\n", []string{
			`config.yaml:7: stations[0].thermometer.address: /dev/ttyUSB0 is used by station "s1" already, and a meter that prints by itself serves one: where it tells a temperature too, add the group celsius to that pattern`,
		}},

		// All at once, in the order of the lines.
		{"many", `listen: 8420
usb:
  scan: 60
  recsan: 3s
stations:
  - id: S1
    port: 1-2
    profile: handset
    supply:
      adddress: psu
  - id: s2
    port: 1-2
    profile: phone
bench: north
`, []string{
			`config.yaml:1: listen: "8420" is not an address and a port: write 127.0.0.1:8420`,
			`config.yaml:3: usb.scan: 60 has no unit: write 60s or 60ms`,
			`config.yaml:4: usb.recsan: unknown key: did you mean "rescan"?`,
			`config.yaml:6: stations[0].id: "S1" must be 1 to 32 small letters, digits and dashes, starting with a letter or digit`,
			`config.yaml:9: stations[0].supply.address: missing: say where the instrument is, such as tcp://192.0.2.10:5025`,
			`config.yaml:10: stations[0].supply.adddress: unknown key: did you mean "address"?`,
			`config.yaml:12: stations[1].port: 1-2 is already used by station "S1": give each station its own port`,
			`config.yaml:13: stations[1].profile: unknown profile "phone": known here are handset, tablet`,
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := parse(tt.file)
			if err == nil {
				t.Fatal("it was accepted")
			}
			if d := cmp.Diff(strings.Join(tt.want, "\n"), err.Error()); d != "" {
				t.Error(d)
			}
		})
	}
}

// replace changes one line of the good file.
func replace(old, now string) string { return strings.Replace(good, old, now, 1) }

func TestGoodIsGood(t *testing.T) {
	if _, err := parse(good); err != nil {
		t.Error(err)
	}
}

func TestRefusedProfiles(t *testing.T) {
	for _, tt := range []struct {
		name     string
		profiles map[string]*profile.Profile
		err      error
		want     string
	}{
		{"none", nil, nil, `config.yaml:6: profiles: fam has no profile: put at least one device family there, as NAME.yaml`},
		{
			"several broken", nil, errors.Join(errors.New("a.yaml:1:1: bad"), errors.New("b.yaml:2:1: worse")),
			"config.yaml:6: profiles: fam: a.yaml:1:1: bad\nconfig.yaml:6: profiles: fam: b.yaml:2:1: worse",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := config.Parse(strings.NewReader(good+"profiles: fam\n"), "config.yaml", config.Options{
				Profiles: func(string) (map[string]*profile.Profile, error) { return tt.profiles, tt.err },
			})
			if err == nil {
				t.Fatal("it was accepted")
			}
			if d := cmp.Diff(tt.want, err.Error()); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestTooLarge(t *testing.T) {
	_, err := parse(good + strings.Repeat("#", 1<<20))
	if want := "config.yaml: larger than 1 MiB, which no configuration is"; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}
