package scenario

import (
	"math"
	"math/rand/v2"
	"time"
)

// A soundscape is what a position hears: a steady background that follows the hour, passing vehicles and single events.
type soundscape struct {
	seed       uint64
	day, night float64 // background in dB, 06-22 and the rest
	passByDB   float64 // highest level of a vehicle that passes
	perHour    [24]int // vehicles by the hour of the day
	events     []event
}

// event is a sound that is not there otherwise.
type event struct {
	at      time.Time
	seconds int
	levelDB float64
}

// levels returns n levels in dB, one a second from start on, rounded to 0.1 dB.
// They are made from the seed, so that every run hears the same.
func (s soundscape) levels(start time.Time, n int) []float64 {
	rng := rand.New(rand.NewPCG(s.seed, 0x6c74))
	energy := make([]float64, n)
	drift := 0.0 // slow wander of the background, dB
	for i := range energy {
		drift = 0.995*drift + 0.12*rng.NormFloat64()
		background := s.night
		if h := start.Add(time.Duration(i) * time.Second).Hour(); h >= 6 && h < 22 {
			background = s.day
		}
		energy[i] = ratio(background + drift + 0.4*rng.NormFloat64())
	}
	for i := range energy {
		hour := start.Add(time.Duration(i) * time.Second).Hour()
		if rng.Float64() < float64(s.perHour[hour])/3600 {
			s.pass(energy, i, s.passByDB+3*rng.NormFloat64(), 4+4*rng.Float64())
		}
	}
	for _, e := range s.events {
		from := int(e.at.Sub(start) / time.Second)
		for i := max(from, 0); i < min(from+e.seconds, n); i++ {
			energy[i] += ratio(e.levelDB + 1.5*rng.NormFloat64())
		}
	}
	levels := make([]float64, n)
	for i, e := range energy {
		levels[i] = math.Round(100*math.Log10(e)) / 10
	}
	return levels
}

// pass adds a vehicle that is nearest at second i, where it is peak dB loud, and seconds·its speed away from the line it drives on.
func (s soundscape) pass(energy []float64, i int, peak, seconds float64) {
	const audible = 45 // seconds before and after
	for j := max(i-audible, 0); j < min(i+audible, len(energy)); j++ {
		away := float64(j-i) / seconds
		energy[j] += ratio(peak) / (1 + away*away)
	}
}

func ratio(db float64) float64 { return math.Pow(10, db/10) }
