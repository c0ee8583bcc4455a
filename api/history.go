package api

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/survey"
)

type historyStore interface {
	InstrumentLife(ctx context.Context, id uuid.UUID, asKnownAt *time.Time) (calibration.Past, []calibration.Component, []calibration.FieldCheck, error)
}

// HistoryEntry is one thing in the life of an instrument.
type HistoryEntry struct {
	At               time.Time `json:"at"`                                                                      // When; of what is known to a day: its beginning
	Kind             string    `json:"kind" enums:"certificate,certificate_status,event,component,field_check"` // What kind of record it is
	RecordID         uuid.UUID `json:"record_id"`                                                               // The record
	Detail           string    `json:"detail"`                                                                  // For people
	FoundDeviationDB *Level    `json:"found_deviation_db"`                                                      // Of a field check: as found less expected; else null
	LeftDeviationDB  *Level    `json:"left_deviation_db"`                                                       // Of a field check: as left less expected; else null
}

// Trend is how the sensitivity of one channel of a meter went over its acoustic field checks.
type Trend struct {
	Channel                int               `json:"channel"`                    // Channel of the meter
	Checks                 int               `json:"checks"`                     // Field checks it is made from
	SlopeDBPerYear         *acoustic.Decibel `json:"slope_db_per_year"`          // Least-squares slope of the drift between checks added up, adjustments taken out; null below five checks or 30 days
	StandardErrorDBPerYear *acoustic.Decibel `json:"standard_error_db_per_year"` // Of the slope
	LargestStepDB          Level             `json:"largest_step_db"`            // Largest drift between two checks, with its sign
	LookAt                 bool              `json:"look_at"`                    // Have it looked at
	Why                    string            `json:"why"`                        // The reason to; empty where there is none
}

// History is the life of one instrument, with how its field checks went over time.
type History struct {
	InstrumentID uuid.UUID      `json:"instrument_id"`
	Entries      []HistoryEntry `json:"entries"` // In time order
	Trends       []Trend        `json:"trends"`  // One for each channel checked
}

type historyHandlers struct{ *server }

func (h historyHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/instruments/:id/history", respond(h.server, http.StatusOK, h.get, "time_zone", "as_known_at"))
}

// get tells the life of an instrument.
//
//	@Summary		Tell the history of an instrument
//	@Description	Its certificates and what became of them, its events, the parts fitted and the deviations of its field checks, in time order, with the trend that says when to have it looked at.
//	@Tags			instruments
//	@Param			id			path		string	true	"Instrument"	format(uuid)
//	@Param			time_zone	query		string	false	"IANA time zone in which days begin; absent: UTC"
//	@Param			as_known_at	query		string	false	"Instant whose knowledge counts; absent: now"	format(date-time)
//	@Success		200			{object}	History
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/instruments/{id}/history [get]
func (h historyHandlers) get(c *gin.Context) (History, error) {
	id, err := pathID(c)
	if err != nil {
		return History{}, err
	}
	at, err := h.knownAt(c)
	if err != nil {
		return History{}, err
	}
	zone, err := queryZone(c, time.UTC)
	if err != nil {
		return History{}, err
	}
	past, fits, checks, err := h.store.InstrumentLife(c.Request.Context(), id, at)
	if err != nil {
		return History{}, err
	}
	others := survey.RelatedIDs{Instruments: []uuid.UUID{id}}
	for _, f := range fits {
		others.Instruments = append(others.Instruments, f.PartID, f.InstrumentID)
	}
	for _, k := range checks {
		others.Instruments = append(others.Instruments, k.CalibratorID, k.InstrumentID)
	}
	found, err := h.store.Related(c.Request.Context(), others)
	if err != nil {
		return History{}, err
	}
	name := map[uuid.UUID]any{}
	for _, i := range found.Instruments {
		name[i.ID] = i
	}
	for _, k := range past.Certificates {
		name[k.ID] = k
	}
	return historyBody(id, calibration.HistoryOf(id, past, fits, checks, zone), name), nil
}

// historyBody renders what is told of an instrument. name holds what instruments and certificates are called.
func historyBody(id uuid.UUID, told calibration.History, name map[uuid.UUID]any) History {
	out := History{InstrumentID: id, Entries: []HistoryEntry{}, Trends: []Trend{}}
	for _, e := range told.Entries {
		b := HistoryEntry{At: e.At.UTC()}
		switch {
		case e.Certificate != nil:
			b.Kind, b.RecordID = "certificate", e.Certificate.ID
			b.Detail = fmt.Sprintf("Calibrated: %v, as found %s, as left %s.", *e.Certificate, e.Certificate.AsFound.Words(), e.Certificate.AsLeft.Words())
			if e.Certificate.State == calibration.Draft {
				b.Detail = fmt.Sprintf("The %v is a draft and proves nothing until it is confirmed.", *e.Certificate)
			}
			if old, ok := name[e.Certificate.ReplacesID]; ok {
				b.Detail += fmt.Sprintf(" It replaces %v.", old)
			}
		case e.Status != nil:
			b.Kind, b.RecordID = "certificate_status", e.Status.ID
			b.Detail = fmt.Sprintf("The %v is %s", name[e.Status.CertificateID], e.Status.Status)
			if !e.Status.EffectiveFrom.IsZero() {
				b.Detail += " from " + e.Status.EffectiveFrom.String()
			}
			b.Detail += ": " + e.Status.Reason
		case e.Event != nil:
			b.Kind, b.RecordID = "event", e.Event.ID
			b.Detail = fmt.Sprintf("%s, which leaves what was calibrated before as it was.", e.Event.Kind.Words())
			if e.Event.EndsCover {
				b.Detail = fmt.Sprintf("%s, which ends what was calibrated before.", e.Event.Kind.Words())
			}
			if e.Event.Note != "" {
				b.Detail += " " + e.Event.Note
			}
		case e.Component != nil:
			b.Kind, b.RecordID = "component", e.Component.ID
			part, meter := name[e.Component.PartID], name[e.Component.InstrumentID]
			b.Detail = fmt.Sprintf("The %v is fitted on the %v.", part, meter)
			if e.Component.To != nil {
				b.Detail = fmt.Sprintf("The %v is fitted on the %v until %s.", part, meter, e.Component.To.UTC().Format(time.RFC3339))
			}
		case e.Check != nil:
			b.Kind, b.RecordID, b.FoundDeviationDB, b.LeftDeviationDB = "field_check", e.Check.ID, (*Level)(&e.FoundDB), (*Level)(&e.LeftDB)
			b.Detail = fmt.Sprintf("The %v on the %v, channel %d: found %v dB where %v dB was expected.",
				name[e.Check.CalibratorID], name[e.Check.InstrumentID], e.Check.Channel, e.Check.AsFoundDB, e.Check.ExpectedDB)
		}
		out.Entries = append(out.Entries, b)
	}
	for _, t := range told.Trends {
		b := Trend{Channel: t.Channel, Checks: t.Checks, LargestStepDB: Level(t.LargestStepDB), LookAt: t.LookAt, Why: t.Why}
		if t.Fitted {
			b.SlopeDBPerYear, b.StandardErrorDBPerYear = &t.SlopeDBPerYear, &t.StandardError
		}
		out.Trends = append(out.Trends, b)
	}
	return out
}
