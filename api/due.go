package api

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/request"
)

type dueStore interface {
	MayFallDue(ctx context.Context, months map[calibration.Scope]int, horizon civil.Date, p request.Page) ([]calibration.Kept, error)
}

// NamedInstrument is an instrument with what it is known by.
type NamedInstrument struct {
	ID           uuid.UUID `json:"id"`
	Kind         string    `json:"kind"`
	Manufacturer string    `json:"manufacturer"`  // Who made it
	Model        string    `json:"model"`         // Its type
	SerialNumber string    `json:"serial_number"` // Unique with manufacturer and model
}

func namedInstrument(i calibration.Instrument) NamedInstrument {
	return NamedInstrument{i.ID, string(i.Kind), i.Manufacturer, i.Model, i.SerialNumber}
}

// DueRow says until when an instrument may be used within a scope.
type DueRow struct {
	Instrument     NamedInstrument    `json:"instrument"`                                                  // What is to be calibrated
	Scope          string             `json:"scope"`                                                       // Which part of its work: a meter's filters are calibrated by themselves
	CertificateID  uuid.UUID          `json:"certificate_id"`                                              // The one whose cover ends last
	RuleProfile    RuleProfileEdition `json:"rule_profile"`                                                // What it is reckoned by
	CalibratedOn   civil.Date         `json:"calibrated_on"`                                               // Last day of the calibration
	DueOn          civil.Date         `json:"due_on"`                                                      // Last day that the interval, or the house, allows
	EffectiveEndOn civil.Date         `json:"effective_end_on"`                                            // Last day covered, repairs and withdrawals included
	EndedBy        string             `json:"ended_by" enums:"interval,override,event,withdrawal,as_left"` // What ends the cover
	State          string             `json:"state" enums:"due,overdue,planned_beyond"`                    // Overdue where it has ended; planned_beyond where a survey is planned on a day that is not covered
	Surveys        []uuid.UUID        `json:"surveys"`                                                     // Planned on a day beyond its cover
}

func dueBody(r calibration.DueRow) DueRow {
	return DueRow{
		namedInstrument(r.Instrument), string(r.Scope), r.CertificateID,
		RuleProfileEdition{r.Profile, r.Edition},
		r.CalibratedOn, r.DueOn, r.EffectiveEndOn, r.EndedBy, r.State, append([]uuid.UUID{}, r.Surveys...),
	}
}

type dueHandlers struct{ *server }

func (h dueHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/calibrations/due", respondTable(h.server, h.list, dueTable, "within_days", "rule_profile", "time_zone", "limit", "cursor"))
}

// list lists what falls due.
//
//	@Summary		List what falls due for calibration
//	@Description	Instruments whose cover ends within so many days, has ended, or does not reach to the end of a survey planned with them. The effective end counts, repairs and withdrawals included. Pages hold instruments in the order in which their cover may end; those never calibrated are told by the gaps. With Accept: text/csv a table.
//	@Tags			calibrations
//	@Produce		json,text/csv
//	@Param			within_days		query		int		false	"Days from today"	minimum(0)	maximum(3660)	default(60)
//	@Param			rule_profile	query		string	false	"Code of the rule profile; absent: of each kind of instrument the strictest of the newest editions"
//	@Param			time_zone		query		string	false	"IANA time zone of today; absent: UTC"
//	@Param			limit			query		int		false	"Instruments a page"	minimum(1)	maximum(200)	default(50)
//	@Param			cursor			query		string	false	"Next page, from the answer before"
//	@Success		200				{object}	List[DueRow]
//	@Failure		default			{object}	Problem	"Any error"
//	@Router			/v1/calibrations/due [get]
func (h dueHandlers) list(c *gin.Context) (List[DueRow], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[DueRow]{}, err
	}
	days := 60
	if text, ok := c.GetQuery("within_days"); ok {
		if days, err = strconv.Atoi(text); err != nil || days < 0 || days > calibration.MaxWithinDays {
			return List[DueRow]{}, badParameter("within_days", "out_of_range", "must be a whole number from 0 to "+itoa(calibration.MaxWithinDays))
		}
	}
	zone, err := queryZone(c, time.UTC)
	if err != nil {
		return List[DueRow]{}, err
	}
	profiles, err := h.profilesAsked(c)
	if err != nil {
		return List[DueRow]{}, err
	}
	today := civil.DayOf(h.now(), zone)
	kept, err := h.store.MayFallDue(c.Request.Context(), calibration.ShortestIntervals(profiles), today.AddDays(days), p)
	if err != nil {
		return List[DueRow]{}, err
	}
	page := listOf(h.server, c, p, kept, func(k calibration.Kept) uuid.UUID { return k.Instrument.ID }, func(k calibration.Kept) calibration.Kept { return k })
	rows := List[DueRow]{Items: []DueRow{}, NextCursor: page.NextCursor}
	for _, r := range calibration.DueList(page.Items, profiles, today, days) {
		rows.Items = append(rows.Items, dueBody(r))
	}
	return rows, nil
}

// profilesAsked returns the newest edition of the rule profile that the query asks for, of every profile where it asks for none.
func (s *server) profilesAsked(c *gin.Context) ([]calibration.RuleProfile, error) {
	code, one := c.GetQuery("rule_profile")
	newest, err := s.newestProfiles(c.Request.Context(), code)
	if err == nil && one && (code == "" || len(newest) == 0) {
		err = badParameter("rule_profile", "unknown_reference", "is the code of no rule profile")
	}
	return newest, err
}

// newestProfiles returns the newest edition of the rule profile of a code, of every profile where it is empty.
func (s *server) newestProfiles(ctx context.Context, code string) ([]calibration.RuleProfile, error) {
	all, err := s.store.RuleProfiles(ctx)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(editions(all).newest(), func(p calibration.RuleProfile) bool { return code != "" && p.Code != code }), nil
}

func dueTable(l List[DueRow]) table {
	t := table{name: "calibrations-due", header: []string{
		"instrument_id", "kind", "manufacturer", "model", "serial_number", "scope", "certificate_id", "rule_profile", "edition",
		"calibrated_on", "due_on", "effective_end_on", "ended_by", "state", "surveys",
	}}
	for _, r := range l.Items {
		surveys := make([]string, len(r.Surveys))
		for i, id := range r.Surveys {
			surveys[i] = id.String()
		}
		i := r.Instrument
		t.lines = append(t.lines, []string{
			i.ID.String(), i.Kind, i.Manufacturer, i.Model, i.SerialNumber, r.Scope, r.CertificateID.String(), r.RuleProfile.Code, r.RuleProfile.Edition,
			r.CalibratedOn.String(), r.DueOn.String(), r.EffectiveEndOn.String(), r.EndedBy, r.State, strings.Join(surveys, " "),
		})
	}
	return t
}
