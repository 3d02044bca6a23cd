package trace

// DecodeUnchecked decodes whatever its checksum, so that a fuzzer gets beyond
// it.
func DecodeUnchecked(b []byte) ([]Point, error) {
	t, err := parse(b)
	if err != nil {
		return nil, err
	}
	return t.points(), nil
}

// DecodeRollupsUnchecked is the same for roll-ups.
func DecodeRollupsUnchecked(b []byte) ([]Rollup, error) {
	t, err := parse(b)
	if err != nil {
		return nil, err
	}
	return t.rollups(), nil
}
