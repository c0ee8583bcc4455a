// Package signal makes up the levels that a meter beside a road could log, for
// measurements of the store and for shown data. Nothing of it was measured.
package signal

import (
	"math"
	"math/rand/v2"
	"time"

	"leveltrail/domain/acoustic"
)

// Source makes up one level after another: an autocorrelated background that is
// 14 dB lower by night than by day, and passing events that rise and fade over
// seconds to half a minute, fewer by night.
type Source struct {
	random   *rand.Rand
	at       time.Time
	interval time.Duration
	step     float64 // hundredths of a decibel to which levels are rounded

	memory     float64 // autocorrelation of the background from one sample to the next
	background float64 // deviation of the background from its hour's level, dB
	event      event
	hour       int // of the levels below; -1 before the first
	floor      float64
	perSample  float64 // probability that an event begins
}

// event is one passing: its level falls with the square of time from its peak.
type event struct {
	left, half int     // samples to come, samples from the beginning to the peak
	peak, fall float64 // dB; dB below the peak at its ends
}

// New returns a Source whose levels begin at start and follow each other at interval,
// rounded to step hundredths of a decibel (10 or 1). Equal arguments give equal levels.
func New(seed uint64, start time.Time, interval time.Duration, step acoustic.Level) *Source {
	return &Source{
		random:   rand.New(rand.NewPCG(seed, 0x6c65_7665_6c73)),
		at:       start.UTC(),
		interval: interval,
		step:     float64(step),
		memory:   math.Exp(-interval.Seconds() / 10), // correlation time 10 s
		hour:     -1,
	}
}

// Fill sets levels to the next ones.
func (s *Source) Fill(levels []acoustic.Level) {
	// The innovation that keeps the deviation of the background at 1.7 dB.
	spread := 1.7 * math.Sqrt(1-s.memory*s.memory)
	for i := range levels {
		if h := s.at.Hour(); h != s.hour {
			s.turn(h)
		}
		s.at = s.at.Add(s.interval)
		s.background = s.background*s.memory + s.random.NormFloat64()*spread
		l := s.floor + s.background
		if s.event.left > 0 {
			x := float64(s.event.left-s.event.half) / float64(s.event.half+1)
			l = max(l, s.event.peak-s.event.fall*x*x+s.background*0.3)
			s.event.left--
		} else if s.random.Float64() < s.perSample {
			s.begin()
		}
		levels[i] = acoustic.Level(math.Round(l*100/s.step) * s.step)
	}
}

// turn sets what depends on the hour of the day.
func (s *Source) turn(hour int) {
	s.hour = hour
	busy := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(hour)-3)/24) // 0 at 03, 1 at 15
	s.floor = 36 + 14*busy
	s.perSample = (0.001 + 0.012*busy) * s.interval.Seconds()
}

// begin starts an event.
func (s *Source) begin() {
	half := 4 + 12*s.random.Float64() // seconds
	n := max(int(half/s.interval.Seconds()), 1)
	s.event = event{left: 2 * n, half: n, peak: s.floor + 6 + 4*math.Abs(s.random.NormFloat64())*2, fall: 15}
}

// Levels returns the first n levels of a Source.
func Levels(seed uint64, start time.Time, interval time.Duration, step acoustic.Level, n int) []acoustic.Level {
	levels := make([]acoustic.Level, n)
	New(seed, start, interval, step).Fill(levels)
	return levels
}
