package acoustic

// Rated is the equivalent level of one period of the day, with its nominal length
// and the number of decibels by which an index raises it.
type Rated struct {
	Level   Decibel
	Hours   float64
	Penalty Decibel
}

// Index returns 10 lg(Σ hᵢ·10^((Lᵢ+Pᵢ)/10) / Σ hᵢ), the mean of the raised levels
// weighted by the nominal hours, which do not change with the clock.
// ok is false if the hours sum to zero.
func Index(periods ...Rated) (index Decibel, ok bool) {
	var r, hours float64
	for _, p := range periods {
		r += p.Hours * (p.Level + p.Penalty).Ratio()
		hours += p.Hours
	}
	return FromRatio(r / hours), hours > 0
}

// DayEveningNight returns Lden with 12, 4 and 8 hours and 0, 5 and 10 dB (Directive
// 2002/49/EC Annex I).
func DayEveningNight(day, evening, night Decibel) Decibel {
	l, _ := Index(Rated{day, 12, 0}, Rated{evening, 4, 5}, Rated{night, 8, 10})
	return l
}

// DayNight returns Ldn: 15 hours of day, 9 of night raised by 10 dB (ISO 1996-1, with 07-22 and 22-07).
func DayNight(day, night Decibel) Decibel {
	l, _ := Index(Rated{day, 15, 0}, Rated{night, 9, 10})
	return l
}
