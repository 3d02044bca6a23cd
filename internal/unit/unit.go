// Package unit owns the bench's quantities as integers: Voltage in microvolts,
// Current in microamperes, Temperature in millidegrees Celsius. It parses what instruments and files say,
// prints what people read, and never holds a bare float. It knows nothing of
// benches, modes or time, and imports the standard library only.
package unit

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// Voltage is an electric potential difference in microvolts.
type Voltage int64

// Current is an electric current in microamperes.
type Current int64

// Steps of the two quantities.
const (
	Microvolt   Voltage = 1
	Millivolt           = 1000 * Microvolt
	Volt                = 1000 * Millivolt
	Microampere Current = 1
	Milliampere         = 1000 * Microampere
	Ampere              = 1000 * Milliampere
)

// maxMicro bounds what Parse accepts: a million volts or amperes is never a
// bench reading, and well inside int64.
const maxMicro = 1_000_000 * 1_000_000

// ErrNotNumber is wrapped by every parse error.
var ErrNotNumber = errors.New("not a decimal number")

// ParseVolts reads a decimal number of volts, such as "3.801", "-0.2" or
// "3.8E0", rounded half away from zero to the microvolt.
func ParseVolts(s string) (Voltage, error) {
	n, err := parseMicro(s)
	return Voltage(n), err
}

// ParseAmps reads a decimal number of amperes, such as "0.412" or "4.12e-1",
// rounded half away from zero to the microampere.
func ParseAmps(s string) (Current, error) {
	n, err := parseMicro(s)
	return Current(n), err
}

// Volts returns the quantity in volts.
func (v Voltage) Volts() float64 { return float64(v) / 1e6 }

// Amps returns the quantity in amperes.
func (c Current) Amps() float64 { return float64(c) / 1e6 }

// FromAmps rounds a number of amperes to the microampere.
func FromAmps(a float64) Current { return Current(math.Round(a * 1e6)) }

// FromVolts rounds a number of volts to the microvolt.
func FromVolts(v float64) Voltage { return Voltage(math.Round(v * 1e6)) }

// String prints volts to the millivolt: "3.801 V".
func (v Voltage) String() string {
	return fmt.Sprintf("%.3f V", v.Volts())
}

// String prints the current as a bench display would: "12.35 mA" below
// 100 mA, "412 mA" below 1 A, "1.482 A" above.
func (c Current) String() string {
	switch a := max(c, -c); {
	case a < 100*Milliampere:
		return fmt.Sprintf("%.2f mA", float64(c)/1e3)
	case a < Ampere:
		return fmt.Sprintf("%.0f mA", float64(c)/1e3)
	}
	return fmt.Sprintf("%.3f A", c.Amps())
}

// MarshalJSON writes a plain decimal number of volts.
func (v Voltage) MarshalJSON() ([]byte, error) { return appendMicro(nil, int64(v)), nil }

// MarshalJSON writes a plain decimal number of amperes.
func (c Current) MarshalJSON() ([]byte, error) { return appendMicro(nil, int64(c)), nil }

// UnmarshalJSON reads a JSON number of volts without passing through a float.
func (v *Voltage) UnmarshalJSON(b []byte) (err error) {
	*v, err = ParseVolts(string(b))
	return err
}

// UnmarshalJSON reads a JSON number of amperes without passing through a float.
func (c *Current) UnmarshalJSON(b []byte) (err error) {
	*c, err = ParseAmps(string(b))
	return err
}

// parseMicro turns a decimal number into millionths. Short plain decimals,
// which is what instruments send ten times a second, take the fast path.
func parseMicro(s string) (int64, error) {
	if n, ok := parsePlain(s); ok {
		return n, nil
	}
	if !isDecimal(s) {
		return 0, fmt.Errorf("%q: %w", s, ErrNotNumber)
	}
	f, err := strconv.ParseFloat(s, 64)
	if err != nil || math.Abs(f)*1e6 > maxMicro {
		return 0, fmt.Errorf("%q: number out of range", s)
	}
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		return 0, fmt.Errorf("%q: %w", s, ErrNotNumber)
	}
	return roundMicro(r), nil
}

// roundMicro multiplies by a million and rounds half away from zero.
func roundMicro(r *big.Rat) int64 {
	r.Mul(r, big.NewRat(1_000_000, 1))
	half := big.NewRat(1, 2)
	if r.Sign() < 0 {
		half.Neg(half)
	}
	r.Add(r, half)
	return new(big.Int).Quo(r.Num(), r.Denom()).Int64()
}

// parsePlain reads [sign]digits[.up to six digits] of at most 15 digits.
func parsePlain(s string) (n int64, ok bool) {
	body := strings.TrimLeft(s, "+-")
	if len(s)-len(body) > 1 || len(body) == 0 || len(body) > 13 {
		return 0, false
	}
	whole, frac, _ := strings.Cut(body, ".")
	if len(whole) > 6 || len(frac) > 6 || len(whole)+len(frac) == 0 {
		return 0, false
	}
	for i := range 6 + len(whole) {
		c := byte('0')
		switch j := i - len(whole); {
		case i < len(whole):
			c = whole[i]
		case j < len(frac):
			c = frac[j]
		}
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int64(c-'0')
	}
	if s[0] == '-' {
		n = -n
	}
	return n, true
}

// isDecimal accepts [sign] digits [. digits] [e [sign] up to three digits]:
// the NRf form of IEEE 488.2, which JSON numbers are a part of. It refuses
// what strconv and big.Rat would also take (hexadecimal, fractions, "_").
func isDecimal(s string) bool {
	if len(s) == 0 || len(s) > 64 {
		return false
	}
	mant, exp, hasExp := s, "", false
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		mant, exp, hasExp = s[:i], s[i+1:], true
	}
	if hasExp && (!digits(trimSign(exp)) || len(exp) > 4) {
		return false
	}
	whole, frac, _ := strings.Cut(trimSign(mant), ".")
	return len(whole)+len(frac) > 0 && (whole == "" || digits(whole)) && (frac == "" || digits(frac))
}

func trimSign(s string) string {
	if s != "" && (s[0] == '+' || s[0] == '-') {
		return s[1:]
	}
	return s
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// appendMicro writes n millionths as the shortest plain decimal.
func appendMicro(b []byte, n int64) []byte {
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	b = strconv.AppendInt(b, n/1_000_000, 10)
	if n %= 1_000_000; n != 0 {
		frac := strings.TrimRight(fmt.Sprintf("%06d", n), "0")
		b = append(append(b, '.'), frac...)
	}
	return b
}

// Round returns c rounded to a multiple of step, half away from zero, as an
// instrument of that resolution shows it.
func (c Current) Round(step Current) Current {
	half := step / 2
	if c < 0 {
		half = -half
	}
	return (c + half) / step * step
}
