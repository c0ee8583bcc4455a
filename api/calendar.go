package api

import (
	"slices"
	"strings"
	"time"
	"unicode"

	ics "github.com/arran4/golang-ical"

	"leveltrail/domain/calibration"
)

// alarms are how long before the day calendars remind of it (house values): time to send
// an instrument in, and time to borrow another.
var alarms = []string{"-P30D", "-P7D"}

// dueEvent is a due row and when what it follows from was last recorded.
type dueEvent struct {
	calibration.DueRow
	recordedAt time.Time
}

// dueEvents returns the due rows of an instrument. Nothing of a survey is in them.
func dueEvents(k calibration.Kept, due func([]calibration.Kept) []calibration.DueRow) []dueEvent {
	k.Planned = nil
	at := k.Instrument.RecordedAt
	note := func(t time.Time) {
		if t.After(at) {
			at = t
		}
	}
	for _, c := range k.Past.Certificates {
		note(c.RecordedAt)
	}
	for _, e := range k.Past.Events {
		note(e.RecordedAt)
	}
	for _, s := range k.Past.Statuses {
		note(s.RecordedAt)
	}
	var events []dueEvent
	for _, r := range due([]calibration.Kept{k}) {
		events = append(events, dueEvent{r, at})
	}
	return events
}

// calendarOf returns a calendar (RFC 5545) with an event on the last day of each cover, the
// first one in front. The same events give the same bytes.
func calendarOf(name string, events []dueEvent) []byte {
	cal := &ics.Calendar{}
	cal.SetVersion("2.0")
	cal.SetProductId("-//Leveltrail//Calibrations due//EN")
	cal.CalendarProperties = append(cal.CalendarProperties, ics.CalendarProperty{ // RFC 7986, 5.1
		BaseProperty: ics.BaseProperty{IANAToken: "NAME", Value: plain(name)},
	})
	cal.SetRefreshInterval("PT12H") // RFC 7986, 5.7
	slices.SortStableFunc(events, func(a, b dueEvent) int { return a.EffectiveEndOn.Compare(b.EffectiveEndOn) })
	for _, e := range events {
		i := e.Instrument
		scope := strings.ReplaceAll(string(e.Scope), "_", " ")
		title := plain("Calibration ends: " + i.Manufacturer + " " + i.Model + " " + i.SerialNumber + " (" + scope + ")")
		v := cal.AddEvent("due-" + i.ID.String() + "-" + string(e.Scope) + "@leveltrail")
		v.SetDtStampTime(e.recordedAt)
		v.SetAllDayStartAt(e.EffectiveEndOn.Start(time.UTC))
		v.SetSummary(title)
		v.SetDescription(plain("Calibrated on "+e.CalibratedOn.String()+"; last day covered "+e.EffectiveEndOn.String()+
			", by rule profile "+e.Profile+" "+e.Edition+".") + "\n" + endings[e.EndedBy])
		v.SetTimeTransparency(ics.TransparencyTransparent)
		for _, before := range alarms {
			a := v.AddAlarm()
			a.SetAction(ics.ActionDisplay)
			a.SetTrigger(before)
			a.SetDescription(title)
		}
	}
	return []byte(cal.Serialize(ics.WithNewLine("\r\n")))
}

// endings say what ends a cover.
var endings = map[string]string{
	calibration.EndedByInterval: "The interval ends.", calibration.EndedByOverride: "The house ends it before the interval does.",
	calibration.EndedByEvent: "An event ended it, such as a repair.", calibration.EndedByWithdrawal: "The certificate was withdrawn.",
	calibration.EndedByAsLeft: "It was left out of limits.",
}

// plain returns text without control characters, which a calendar may not hold.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text)
}
