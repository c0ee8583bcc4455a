package api

import (
	"errors"

	"leveltrail/domain/acoustic"
)

// Level is a level or a difference of levels in dB on the wire, with at most two decimals.
type Level acoustic.Level

// MarshalJSON writes as many decimals as l needs.
func (l Level) MarshalJSON() ([]byte, error) { return appendLevel(nil, acoustic.Level(l)), nil }

// UnmarshalJSON reads a number of at most two decimals within the bounds of a level.
func (l *Level) UnmarshalJSON(raw []byte) error {
	level, ok := parseLevel(raw)
	if !ok {
		return errors.New("not a level")
	}
	*l = Level(level)
	return nil
}

func (*Level) expectation() string {
	return "must be a number of decibels from -50 to 200 with at most two decimals"
}

// orNil returns v for a member that is absent or null where there is none.
func orNil[T comparable](v T) *T {
	var none T
	if v == none {
		return nil
	}
	return &v
}

// orZero returns what an optional member holds, zero where it is absent.
func orZero[T any](p *T) (v T) {
	if p != nil {
		v = *p
	}
	return v
}
