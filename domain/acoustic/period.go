package acoustic

import (
	"fmt"
	"strings"

	"leveltrail/domain/fault"
)

const minutesOfDay = 24 * 60

// Period is a part of the day that has a level of its own, such as the night.
type Period struct {
	Symbol   string  // of its level: "Lnight"
	From, To int     // minutes after local midnight, in [0, 1440); To at or before From lies on the next day
	Penalty  Decibel // added to its level in the index
}

// Minutes returns the nominal length of p, in (0, 1440].
func (p Period) Minutes() int { return (p.To-p.From+minutesOfDay-1)%minutesOfDay + 1 }

// PeriodSet divides the day, in the time zone of a project.
type PeriodSet struct {
	Name    string
	Index   string   // symbol of the index over the whole day: "Lden"; empty for none
	Periods []Period // in the order of the day, which starts with the first; disjoint
	Highest bool     // the index is the highest of the raised levels and not their mean
	Source  string   // where the division is laid down
}

// At returns the index of the period that minute of the day belongs to, -1 for none.
func (s PeriodSet) At(minute int) int {
	for i, p := range s.Periods {
		if (minute-p.From+minutesOfDay)%minutesOfDay < p.Minutes() {
			return i
		}
	}
	return -1
}

// Rate returns the index from the levels of the periods in their order, one each:
// see [Index], or the highest of the raised levels. Lengths are nominal: clock
// changes do not alter the weights.
func (s PeriodSet) Rate(levels []Decibel) Decibel {
	if s.Highest {
		highest := levels[0] + s.Periods[0].Penalty
		for i, p := range s.Periods {
			highest = max(highest, levels[i]+p.Penalty)
		}
		return highest
	}
	rated := make([]Rated, len(s.Periods))
	for i, p := range s.Periods {
		rated[i] = Rated{levels[i], float64(p.Minutes()) / 60, p.Penalty}
	}
	l, _ := Index(rated...)
	return l
}

// Sensitivities returns by how much the index moves with the level of each period: the
// share of its energy in the index, or 1 for the highest of the raised levels.
func (s PeriodSet) Sensitivities(levels []Decibel) []float64 {
	shares := make([]float64, len(s.Periods))
	sum, highest := 0.0, 0
	for i, p := range s.Periods {
		shares[i] = float64(p.Minutes()) * (levels[i] + p.Penalty).Ratio()
		sum += shares[i]
		if levels[i]+p.Penalty > levels[highest]+s.Periods[highest].Penalty {
			highest = i
		}
	}
	for i := range shares {
		if shares[i] /= sum; s.Highest {
			shares[i] = 0
		}
	}
	if s.Highest {
		shares[highest] = 1
	}
	return shares
}

// Validate reports everything that makes s unfit for use, as one [fault.Error].
func (s PeriodSet) Validate() error {
	var bad fault.Fields
	bad.Check(strings.TrimSpace(s.Name) != "", "name", "required", "must not be blank")
	bad.Check(len(s.Periods) > 0, "periods", "required", "must name at least one period")
	minutes, fit := 0, len(s.Periods) > 0
	for i, p := range s.Periods {
		path := fmt.Sprintf("periods/%d", i)
		bad.Check(strings.TrimSpace(p.Symbol) != "", path+"/symbol", "required", "must not be blank")
		if p.From < 0 || p.From >= minutesOfDay || p.To < 0 || p.To >= minutesOfDay {
			bad.Add(path, "out_of_range", "must begin and end within a day of 1,440 minutes")
			fit = false
			continue
		}
		minutes += p.Minutes()
		// The gap from the end of the period before, so that out of order shows as more than a day.
		if i > 0 {
			minutes += (p.From - s.Periods[i-1].To + minutesOfDay) % minutesOfDay
		}
	}
	if fit {
		bad.Check(minutes <= minutesOfDay, "periods", "overlapping", "must be in the order of the day and not overlap")
		covers := minutes == minutesOfDay && s.nominal() == minutesOfDay
		bad.Check(s.Index == "" || minutes > minutesOfDay || covers, "periods", "incomplete", "must fill the day to carry an index")
	}
	return bad.Err("period set")
}

// nominal returns the nominal minutes of all periods.
func (s PeriodSet) nominal() (minutes int) {
	for _, p := range s.Periods {
		minutes += p.Minutes()
	}
	return minutes
}

// DefaultPeriods is the day, evening and night of Directive 2002/49/EC, Annex I.
var DefaultPeriods = dayEveningNight("day_evening_night", "Lden", 7, 19, 23, 5, "Directive 2002/49/EC, Annex I")

// periodSets are the sets known by name.
var periodSets = []PeriodSet{
	DefaultPeriods,
	{
		Name: "day_night", Index: "Ldn", Source: "day-night average level, 15 h and 9 h, +10 dB at night",
		Periods: []Period{
			{Symbol: "Lday", From: 7 * 60, To: 22 * 60},
			{Symbol: "Lnight", From: 22 * 60, To: 7 * 60, Penalty: 10},
		},
	},
	dayEveningNight("day_evening_night_06_20_22", "Lden", 6, 20, 22, 5, "D.Lgs. 194/2005 (Italy), Allegato 1"),
	highestOf(dayEveningNight("day_evening_night_highest", "Letmaal", 7, 19, 23, 5, "Netherlands, Letmaal: the highest of Lday, Levening + 5, Lnight + 10")),
	// The evening term has two conventions, which differ by up to 0.04 dB.
	dayEveningNight("cnel_5_db", "CNEL", 7, 19, 22, 5, "ASA standard term 3.20: evening +5 dB"),
	dayEveningNight("cnel_times_3", "CNEL", 7, 19, 22, FromRatio(3), "21 CCR 5001 (California): evening energy times 3"),
}

// dayEveningNight returns a set of three periods that begin at whole hours, with 10 dB at night.
func dayEveningNight(name, index string, day, evening, night int, penalty Decibel, source string) PeriodSet {
	return PeriodSet{Name: name, Index: index, Source: source, Periods: []Period{
		{Symbol: "Lday", From: day * 60, To: evening * 60},
		{Symbol: "Levening", From: evening * 60, To: night * 60, Penalty: penalty},
		{Symbol: "Lnight", From: night * 60, To: day * 60, Penalty: 10},
	}}
}

// highestOf returns s with the highest raised level as its index.
func highestOf(s PeriodSet) PeriodSet {
	s.Highest = true
	return s
}

// PeriodSetNamed returns a set known by name. ok is false for any other name.
func PeriodSetNamed(name string) (s PeriodSet, ok bool) {
	for _, s := range periodSets {
		if s.Name == name {
			return s, true
		}
	}
	return PeriodSet{}, false
}

// PeriodSetNames returns the names that [PeriodSetNamed] knows, the default first.
func PeriodSetNames() []string {
	names := make([]string, len(periodSets))
	for i, s := range periodSets {
		names[i] = s.Name
	}
	return names
}
