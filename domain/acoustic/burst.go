package acoustic

import (
	"math"
	"time"
)

// Time constants of the exponential time weightings (IEC 61672-1).
const (
	Fast = 125 * time.Millisecond
	Slow = time.Second
)

// BurstMaximum returns by how much the highest time-weighted level of a tone burst
// stays below the level of the steady tone: 10 lg(1 − exp(−burst/constant)), at
// most zero (memory of IEC 61672-1, clause on tone bursts). burst is above zero.
func BurstMaximum(burst, constant time.Duration) Decibel {
	return FromRatio(-math.Expm1(-float64(burst) / float64(constant)))
}

// BurstExposure returns the sound exposure level of a tone burst less the level of
// the steady tone: 10 lg(burst/1 s). burst is above zero.
func BurstExposure(burst time.Duration) Decibel { return FromRatio(burst.Seconds()) }
