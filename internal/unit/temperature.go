package unit

import (
	"fmt"
	"strconv"
)

// Temperature is a temperature in thousandths of a degree Celsius.
type Temperature int64

// Steps of temperature.
const (
	Millicelsius Temperature = 1
	Celsius                  = 1000 * Millicelsius
)

// absoluteZero bounds temperatures below (SI Brochure, 9th edition: 0 K is
// −273.15 °C).
const absoluteZero = -273_150 * Millicelsius

// ParseCelsius reads a decimal number of degrees Celsius, such as "31.25" or
// "-4", rounded half away from zero to the millidegree. It refuses what is
// colder than anything can be.
func ParseCelsius(s string) (Temperature, error) {
	n, err := parseMicro(s)
	t := Temperature(thousandth(n))
	if err == nil && t < absoluteZero {
		return 0, fmt.Errorf("%q: colder than absolute zero", s)
	}
	return t, err
}

// Celsius returns the temperature in degrees Celsius.
func (t Temperature) Celsius() float64 { return float64(t) / 1e3 }

// String prints degrees to the tenth: "31.3 °C".
func (t Temperature) String() string {
	tenths := roundDiv(int64(t), 100)
	return strconv.FormatFloat(float64(tenths)/10, 'f', 1, 64) + " °C"
}

// MarshalJSON writes a plain decimal number of degrees Celsius.
func (t Temperature) MarshalJSON() ([]byte, error) { return appendMicro(nil, int64(t)*1000), nil }

// UnmarshalJSON reads a JSON number of degrees Celsius without passing through
// a float.
func (t *Temperature) UnmarshalJSON(b []byte) (err error) {
	*t, err = ParseCelsius(string(b))
	return err
}

// ParseMillivolts reads a decimal number of millivolts, rounded half away from
// zero to the microvolt.
func ParseMillivolts(s string) (Voltage, error) {
	n, err := parseMicro(s)
	return Voltage(thousandth(n)), err
}

// ParseMilliamps reads a decimal number of milliamperes, rounded half away from
// zero to the microampere.
func ParseMilliamps(s string) (Current, error) {
	n, err := parseMicro(s)
	return Current(thousandth(n)), err
}

func thousandth(n int64) int64 { return roundDiv(n, 1000) }

// roundDiv divides, rounding half away from zero.
func roundDiv(n, by int64) int64 {
	half := by / 2
	if n < 0 {
		half = -half
	}
	return (n + half) / by
}
