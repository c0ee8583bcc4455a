package levels_test

import (
	"math"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/series/signal"
	"leveltrail/persistence/levels"
)

// resolutions are those of the made-up signal, in hundredths of a decibel.
var resolutions = []struct {
	name string
	step acoustic.Level
	day  int // bytes of a day aggregate at most
}{{"0.1 dB", 10, 3000}, {"0.01 dB", 1, 7000}}

// entropy returns the Shannon entropy of the first differences of ls, in bytes a sample.
func entropy(ls []acoustic.Level) float64 {
	counts := make(map[acoustic.Level]float64)
	for i := 1; i < len(ls); i++ {
		counts[ls[i]-ls[i-1]]++
	}
	n := float64(len(ls) - 1)
	h := 0.0
	for _, c := range counts {
		h -= c / n * math.Log2(c/n)
	}
	return h / 8
}

const days = 28

func month(step acoustic.Level) []acoustic.Level {
	return signal.Levels(1, hour.Truncate(24*time.Hour), time.Second, step, days*86_400)
}

// blocks returns one block for each hour of ls.
func blocks(ls []acoustic.Level) (hours []time.Time, bs [][]byte) {
	start := hour.Truncate(24 * time.Hour)
	for _, p := range series.Split([]series.Run{{Start: start, Levels: ls}}, time.Second, time.Hour) {
		hours = append(hours, p.Start)
		bs = append(bs, levels.Append(nil, p.Start, time.Second, p.Runs))
	}
	return hours, bs
}

// A block is near the entropy of its first differences.
func TestSize(t *testing.T) {
	for _, r := range resolutions {
		ls := month(r.step)
		_, bs := blocks(ls)
		n := 0
		for _, b := range bs {
			n += len(b)
		}
		got, h := float64(n)/float64(len(ls)), entropy(ls)
		t.Logf("%s: %.3f bytes a sample, entropy %.3f, ratio %.3f", r.name, got, h, got/h)
		if got > 1.1*h {
			t.Errorf("%s: %.3f bytes a sample; entropy %.3f", r.name, got, h)
		}
		day := hour.Truncate(24 * time.Hour)
		d := series.DayOf(day, []series.Run{{Start: day, Levels: ls}}, time.Second)
		if n := len(levels.AppendDay(nil, &d)); n > r.day {
			t.Errorf("%s: a day takes %d bytes", r.name, n)
		} else {
			t.Logf("%s: a day takes %d bytes for %d levels", r.name, n, len(d.Histogram.Bins))
		}
	}
}

func perSample(b *testing.B, n int) {
	b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(b.N)/float64(n), "ns/sample")
}

func BenchmarkAppend(b *testing.B) {
	for _, r := range resolutions {
		b.Run(r.name, func(b *testing.B) {
			ls := month(r.step)
			parts := series.Split([]series.Run{{Start: hour.Truncate(24 * time.Hour), Levels: ls}}, time.Second, time.Hour)
			var dst []byte
			n := 0
			for b.Loop() {
				n = 0
				for _, p := range parts {
					dst = levels.Append(dst[:0], p.Start, time.Second, p.Runs)
					n += len(dst)
				}
			}
			perSample(b, len(ls))
			b.ReportMetric(float64(n)/float64(len(ls)), "bytes/sample")
			b.ReportMetric(float64(n)/float64(len(ls))/entropy(ls), "of-entropy")
		})
	}
}

func BenchmarkDecode(b *testing.B) {
	for _, r := range resolutions {
		ls := month(r.step)
		hours, bs := blocks(ls)
		b.Run(r.name, func(b *testing.B) {
			var d levels.Decoder
			for b.Loop() {
				for i := range bs {
					if _, err := d.Decode(bs[i], hours[i], time.Second); err != nil {
						b.Fatal(err)
					}
				}
			}
			perSample(b, len(ls))
		})
		b.Run(r.name+", tallied by hour", func(b *testing.B) {
			var d levels.Decoder
			for b.Loop() {
				for i := range bs {
					runs, err := d.Decode(bs[i], hours[i], time.Second)
					if err != nil {
						b.Fatal(err)
					}
					series.TallyOf(runs[0].Levels)
				}
			}
			perSample(b, len(ls))
		})
		b.Run(r.name+", int16 array through a table", func(b *testing.B) {
			var table [1 << 16]float64
			for i := range table {
				table[i] = math.Pow(10, float64(int16(i))/1000)
			}
			for b.Loop() {
				sum := 0.0
				for _, l := range ls {
					sum += table[uint16(l)]
				}
				if sum == 0 {
					b.Fatal("no energy")
				}
			}
			perSample(b, len(ls))
		})
	}
}

// A year of day aggregates in hours: their sum, one histogram of all.
func BenchmarkAddYear(b *testing.B) {
	for _, r := range resolutions {
		ls := month(r.step)
		var year [][]byte
		for i := range 366 {
			day := hour.Truncate(24 * time.Hour)
			at := i % days * 86_400
			d := series.DayOf(day, []series.Run{{Start: day, Levels: ls[at : at+86_400]}}, time.Second)
			year = append(year, levels.AppendHours(nil, &d))
		}
		b.Run(r.name, func(b *testing.B) {
			var counts series.Counts
			var hours [series.HoursPerDay]series.Tally
			for b.Loop() {
				counts.Reset()
				var total series.Tally
				for _, day := range year {
					if err := levels.AddDay(day, hours[:], &counts); err != nil {
						b.Fatal(err)
					}
					for _, q := range hours {
						total = total.Plus(q)
					}
				}
				if _, ok := counts.Histogram().Exceedance(90_000); !ok || total.Count == 0 {
					b.Fatal("nothing added")
				}
			}
			b.ReportMetric(float64(len(year[0])), "bytes/day")
		})
	}
}
