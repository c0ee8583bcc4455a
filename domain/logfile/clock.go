package logfile

// correction is true time minus meter time: at, plus drift for each microsecond after from.
type correction struct {
	from, at int64
	drift    float64
}

// correctionOf returns what o says of the meter's clock.
func correctionOf(o Options) correction {
	off := func(c ClockCheck) int64 { return c.TrueAt.Sub(c.MeterAt).Microseconds() }
	switch n := len(o.ClockChecks); {
	case n == 0:
		return correction{at: o.ClockOffset.Microseconds()}
	case n == 1 || !o.ClockChecks[n-1].MeterAt.After(o.ClockChecks[0].MeterAt):
		return correction{at: off(o.ClockChecks[0])}
	default:
		a, b := o.ClockChecks[0], o.ClockChecks[n-1]
		return correction{
			from:  a.MeterAt.UnixMicro(),
			at:    off(a),
			drift: float64(off(b)-off(a)) / float64(b.MeterAt.Sub(a.MeterAt).Microseconds()),
		}
	}
}

// maxDrift is the largest share by which a clock may drift (house value: quartz clocks stay far below).
const maxDrift = 0.01

// apply returns the true instant of meter time t.
func (c correction) apply(t int64) int64 {
	t += c.at
	if c.drift != 0 {
		t += int64(c.drift * float64(t-c.at-c.from))
	}
	return t
}
