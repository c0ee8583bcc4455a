package api

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

type fieldCheckStore interface {
	CreateFieldCheck(ctx context.Context, c calibration.FieldCheck) (calibration.FieldCheck, error)
	FieldCheck(ctx context.Context, id uuid.UUID) (calibration.FieldCheck, error)
	FirstFieldCheck(ctx context.Context, id uuid.UUID) (calibration.FieldCheck, error)
	FieldChecks(ctx context.Context, instrumentID uuid.UUID, p request.Page) ([]calibration.FieldCheck, error)
	FieldChecksOfSurvey(ctx context.Context, surveyID uuid.UUID, reach time.Duration, p request.Page) ([]calibration.FieldCheck, error)
	FieldCheckVersions(ctx context.Context, id uuid.UUID) ([]calibration.FieldCheck, error)
	UpdateFieldCheck(ctx context.Context, c calibration.FieldCheck) (calibration.FieldCheck, error)
}

// Corrections are what the level of a sound calibrator is corrected by, sign as added.
type Corrections struct {
	PressureCorrectionDB   Level `json:"pressure_correction_db,omitempty"`   // For static pressure
	VolumeCorrectionDB     Level `json:"volume_correction_db,omitempty"`     // For the microphone's load volume
	MicrophoneCorrectionDB Level `json:"microphone_correction_db,omitempty"` // For free field or random incidence (IEC 62585, or the meter's manual)
}

// FieldCheckMembers are the members of a field check but its meter.
type FieldCheckMembers struct {
	CalibratorID      uuid.UUID    `json:"calibrator_id"`                                                   // Sound calibrator
	Channel           *int         `json:"channel,omitempty" minimum:"1" maximum:"1000"`                    // Channel of the meter, 1 unless given
	At                time.Time    `json:"at"`                                                              // When
	MeterAt           *time.Time   `json:"meter_at,omitempty" extensions:"x-nullable"`                      // What the meter's own clock showed then; absent: it was not compared
	Signal            *string      `json:"signal,omitempty" enums:"acoustic,electrical" default:"acoustic"` // An electrical signal does not test the microphone and never counts
	Weighting         *string      `json:"weighting,omitempty" enums:"A,C,Z" default:"A"`                   // Frequency weighting of the reading
	NominalDB         Level        `json:"nominal_db"`                                                      // The calibrator's setting
	FrequencyHz       float64      `json:"frequency_hz" example:"1000"`                                     // The calibrator's setting
	ExpectedDB        *Level       `json:"expected_db,omitempty" extensions:"x-nullable"`                   // What the meter should show; absent: computed from the calibrator's certificate
	AsFoundDB         Level        `json:"as_found_db"`                                                     // Shown before anything was touched
	AsLeftDB          *Level       `json:"as_left_db,omitempty" extensions:"x-nullable"`                    // Shown after an adjustment; absent: not adjusted
	Corrections       *Corrections `json:"corrections,omitempty" extensions:"x-nullable"`                   // Added to the certified level where the expected one is computed
	StaticPressureKPa *float64     `json:"static_pressure_kpa,omitempty" extensions:"x-nullable"`           // Static pressure of the air, kPa
	TemperatureC      *float64     `json:"temperature_c,omitempty" extensions:"x-nullable"`                 // Air temperature, °C
}

// NewFieldCheck is a field check as sent to its meter.
type NewFieldCheck struct {
	InstrumentID *uuid.UUID `json:"instrument_id,omitempty"` // Meter, that of the path; never changes
	FieldCheckMembers
}

// PutFieldCheck is a field check as sent to a survey, or under an id that the sender made.
type PutFieldCheck struct {
	InstrumentID uuid.UUID `json:"instrument_id"` // Meter
	FieldCheckMembers
}

// FieldCheck is a sound calibrator put on a meter.
type FieldCheck struct {
	Stamp
	InstrumentID      uuid.UUID   `json:"instrument_id"`                      // Meter
	CalibratorID      uuid.UUID   `json:"calibrator_id"`                      // Sound calibrator
	Channel           int         `json:"channel"`                            // Channel of the meter
	At                time.Time   `json:"at"`                                 // When
	MeterAt           *time.Time  `json:"meter_at"`                           // What the meter's own clock showed then; null: it was not compared
	Signal            string      `json:"signal" enums:"acoustic,electrical"` // An electrical signal does not test the microphone and never counts
	Weighting         string      `json:"weighting" enums:"A,C,Z"`            // Frequency weighting of the reading
	NominalDB         Level       `json:"nominal_db"`                         // The calibrator's setting
	FrequencyHz       float64     `json:"frequency_hz"`                       // The calibrator's setting
	ExpectedDB        Level       `json:"expected_db"`                        // What the meter should show
	CertificateID     *uuid.UUID  `json:"certificate_id"`                     // The certificate that expected_db was computed from; null if it was entered
	AsFoundDB         Level       `json:"as_found_db"`                        // Shown before anything was touched
	AsLeftDB          *Level      `json:"as_left_db"`                         // Shown after an adjustment; null: not adjusted
	Corrections       Corrections `json:"corrections"`                        // Those that are not zero
	StaticPressureKPa *float64    `json:"static_pressure_kpa"`                // Static pressure of the air, kPa
	TemperatureC      *float64    `json:"temperature_c"`                      // Air temperature, °C
	Expanded          *Expanded   `json:"expanded,omitempty"`                 // Records that it refers to, as asked for
}

func (k FieldCheck) path() string { return "/v1/field-checks/" + k.ID.String() }

func (k *FieldCheck) refers() (map[string]uuid.UUID, **Expanded) {
	return map[string]uuid.UUID{"instrument": k.InstrumentID, "calibrator": k.CalibratorID}, &k.Expanded
}

func correctionsOf(k calibration.FieldCheck) Corrections {
	return Corrections{Level(k.PressureCorrectionDB), Level(k.VolumeCorrectionDB), Level(k.MicrophoneCorrectionDB)}
}

func fieldCheckOf(k calibration.FieldCheck) FieldCheck {
	return FieldCheck{
		Stamp{k.ID, k.Version, k.CreatedAt, k.RecordedAt},
		k.InstrumentID, k.CalibratorID, k.Channel, k.At, k.MeterAt, k.Signal, k.Weighting,
		Level(k.NominalDB), k.FrequencyHz, Level(k.ExpectedDB), orNil(k.CertificateID), Level(k.AsFoundDB), (*Level)(k.AsLeftDB),
		correctionsOf(k), k.StaticPressureKPa, k.TemperatureC, nil,
	}
}

// putFieldCheckOf returns the body that would make k.
func putFieldCheckOf(k calibration.FieldCheck) PutFieldCheck {
	m := FieldCheckMembers{
		CalibratorID: k.CalibratorID, Channel: &k.Channel, At: k.At, MeterAt: k.MeterAt, Signal: &k.Signal, Weighting: &k.Weighting,
		NominalDB: Level(k.NominalDB), FrequencyHz: k.FrequencyHz, AsFoundDB: Level(k.AsFoundDB), AsLeftDB: (*Level)(k.AsLeftDB),
		Corrections: orNil(correctionsOf(k)), StaticPressureKPa: k.StaticPressureKPa, TemperatureC: k.TemperatureC,
	}
	if k.CertificateID == uuid.Nil {
		m.ExpectedDB = orNil(Level(k.ExpectedDB))
	}
	return PutFieldCheck{k.InstrumentID, m}
}

func newFieldCheckOf(k calibration.FieldCheck) NewFieldCheck {
	return NewFieldCheck{&k.InstrumentID, putFieldCheckOf(k).FieldCheckMembers}
}

// fieldCheck returns k with the members of in. Where in expects no level, nor does k: the store computes it.
func (in FieldCheckMembers) fieldCheck(k calibration.FieldCheck) calibration.FieldCheck {
	k.CalibratorID, k.Channel, k.At, k.Signal, k.Weighting = in.CalibratorID, 0, utc(in.At), orZero(in.Signal), orZero(in.Weighting)
	k = k.WithDefaults()
	if in.Channel != nil {
		k.Channel = *in.Channel
	}
	k.MeterAt = utcOrNil(in.MeterAt)
	k.NominalDB, k.FrequencyHz, k.AsFoundDB = acoustic.Level(in.NominalDB), in.FrequencyHz, acoustic.Level(in.AsFoundDB)
	k.AsLeftDB, k.ExpectedDB, k.CertificateID = (*acoustic.Level)(in.AsLeftDB), 0, uuid.Nil
	if in.ExpectedDB != nil {
		if k.ExpectedDB = acoustic.Level(*in.ExpectedDB); k.ExpectedDB == 0 {
			k.ExpectedDB = acoustic.MinLevel // given as zero: out of range, and not to be computed
		}
	}
	c := orZero(in.Corrections)
	k.PressureCorrectionDB, k.VolumeCorrectionDB = acoustic.Level(c.PressureCorrectionDB), acoustic.Level(c.VolumeCorrectionDB)
	k.MicrophoneCorrectionDB = acoustic.Level(c.MicrophoneCorrectionDB)
	k.StaticPressureKPa, k.TemperatureC = in.StaticPressureKPa, in.TemperatureC
	return k
}

// pendingCheck is a field check whose expected level may still have to be computed.
type pendingCheck struct{ calibration.FieldCheck }

// Validate reports every member that makes k unfit to store.
func (k pendingCheck) Validate() error {
	if k.ExpectedDB == 0 {
		k.ExpectedDB = acoustic.MaxLevel // computed when it is stored
	}
	return k.FieldCheck.Validate()
}

// validate reports what is wrong with in, sent for the given meter.
func (in FieldCheckMembers) validate(meter uuid.UUID) error {
	return pendingCheck{in.fieldCheck(calibration.FieldCheck{InstrumentID: meter})}.Validate()
}

type fieldCheckHandlers struct{ *server }

func (h fieldCheckHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/instruments/:id/field-checks", respond(h.server, http.StatusOK, h.list, "limit", "cursor", "expand"))
	v1.POST("/instruments/:id/field-checks", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/surveys/:id/field-checks", respond(h.server, http.StatusOK, h.listOfSurvey, "limit", "cursor", "expand"))
	v1.POST("/surveys/:id/field-checks", respond(h.server, http.StatusCreated, h.createFromSurvey))
	v1.GET("/field-checks/:id", respond(h.server, http.StatusOK, h.get, "expand"))
	v1.PUT("/field-checks/:id", respond(h.server, http.StatusCreated, h.put))
	v1.PATCH("/field-checks/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/field-checks/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the field checks of a meter.
//
//	@Summary	List the field checks of a meter
//	@Tags		field-checks
//	@Param		id		path		string		true	"Meter"				format(uuid)
//	@Param		limit	query		int			false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string		false	"Next page, from the answer before"
//	@Param		expand	query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(instrument, calibrator)
//	@Success	200		{object}	List[FieldCheck]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id}/field-checks [get]
func (h fieldCheckHandlers) list(c *gin.Context) (List[FieldCheck], error) {
	id, err := pathID(c)
	if err != nil {
		return List[FieldCheck]{}, err
	}
	if _, err := h.store.Instrument(c.Request.Context(), id); err != nil {
		return List[FieldCheck]{}, err
	}
	return h.page(c, func(p request.Page) ([]calibration.FieldCheck, error) {
		return h.store.FieldChecks(c.Request.Context(), id, p)
	})
}

// listOfSurvey lists the field checks that a survey stands on.
//
//	@Summary		List the field checks of a survey
//	@Description	Those that fall inside its series or bracket them: on the meter's channel the last one before and the first one after, within the reach that the survey's rule profile sets.
//	@Tags			field-checks
//	@Param			id		path		string		true	"Survey"			format(uuid)
//	@Param			limit	query		int			false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param			cursor	query		string		false	"Next page, from the answer before"
//	@Param			expand	query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(instrument, calibrator)
//	@Success		200		{object}	List[FieldCheck]
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/field-checks [get]
func (h fieldCheckHandlers) listOfSurvey(c *gin.Context) (List[FieldCheck], error) {
	id, err := pathID(c)
	if err != nil {
		return List[FieldCheck]{}, err
	}
	v, err := h.store.Survey(c.Request.Context(), id)
	if err != nil {
		return List[FieldCheck]{}, err
	}
	known, err := h.store.RuleProfiles(c.Request.Context())
	if err != nil {
		return List[FieldCheck]{}, err
	}
	profile, _ := editions(known).find(v.RuleProfile, v.RuleProfileEdition)
	return h.page(c, func(p request.Page) ([]calibration.FieldCheck, error) {
		return h.store.FieldChecksOfSurvey(c.Request.Context(), id, profile.CheckReach.Value, p)
	})
}

func (h fieldCheckHandlers) page(c *gin.Context, read func(request.Page) ([]calibration.FieldCheck, error)) (List[FieldCheck], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[FieldCheck]{}, err
	}
	recs, err := read(p)
	if err != nil {
		return List[FieldCheck]{}, err
	}
	return expandList(h.server, c, listOf(h.server, c, p, recs, func(k calibration.FieldCheck) uuid.UUID { return k.ID }, fieldCheckOf))
}

// create stores a new field check of a meter.
//
//	@Summary	Create a field check
//	@Tags		field-checks
//	@Accept		json
//	@Param		id		path		string			true	"Meter"	format(uuid)
//	@Param		check	body		NewFieldCheck	true	"Field check to store"
//	@Success	201		{object}	FieldCheck
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id}/field-checks [post]
func (h fieldCheckHandlers) create(c *gin.Context) (FieldCheck, error) {
	id, err := pathID(c)
	if err != nil {
		return FieldCheck{}, err
	}
	if _, err := h.store.Instrument(c.Request.Context(), id); err != nil {
		return FieldCheck{}, err
	}
	var in NewFieldCheck
	err = decode(c, &in, func() error {
		var bad fault.Fields
		collect(&bad, in.validate(id))
		bad.Check(in.InstrumentID == nil || *in.InstrumentID == id, "instrument_id", "conflicting", "must be the meter of the path")
		return bad.Err("field check")
	})
	if err != nil {
		return FieldCheck{}, err
	}
	rec, err := h.store.CreateFieldCheck(c.Request.Context(), in.fieldCheck(calibration.FieldCheck{InstrumentID: id}))
	return fieldCheckOf(rec), err
}

// createFromSurvey stores a new field check of the meter that the body names.
//
//	@Summary		Create a field check while at a survey
//	@Description	The check belongs to the meter, as if it had been sent there.
//	@Tags			field-checks
//	@Accept			json
//	@Param			id		path		string			true	"Survey"	format(uuid)
//	@Param			check	body		PutFieldCheck	true	"Field check to store"
//	@Success		201		{object}	FieldCheck
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/field-checks [post]
func (h fieldCheckHandlers) createFromSurvey(c *gin.Context) (FieldCheck, error) {
	id, err := pathID(c)
	if err != nil {
		return FieldCheck{}, err
	}
	if _, err := h.store.Survey(c.Request.Context(), id); err != nil {
		return FieldCheck{}, err
	}
	var in PutFieldCheck
	if err := decode(c, &in, func() error { return in.validate(in.InstrumentID) }); err != nil {
		return FieldCheck{}, err
	}
	rec, err := h.store.CreateFieldCheck(c.Request.Context(), in.fieldCheck(calibration.FieldCheck{InstrumentID: in.InstrumentID}))
	return fieldCheckOf(rec), err
}

// put stores a new field check under an id that the sender made.
//
//	@Summary	Create a field check under an id of one's own
//	@Tags		field-checks
//	@Accept		json
//	@Param		id		path		string			true	"Field check"	format(uuid)
//	@Param		check	body		PutFieldCheck	true	"Field check to store"
//	@Success	201		{object}	FieldCheck
//	@Success	200		{object}	FieldCheck
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/field-checks/{id} [put]
func (h fieldCheckHandlers) put(c *gin.Context) (FieldCheck, error) {
	var in PutFieldCheck
	id, err := decodeNew(c, &in, func() error { return in.validate(in.InstrumentID) })
	if err != nil {
		return FieldCheck{}, err
	}
	rec, err := createAs(c, in.fieldCheck(calibration.FieldCheck{ID: id, InstrumentID: in.InstrumentID}),
		h.store.CreateFieldCheck, h.store.FieldCheck, h.store.FirstFieldCheck,
		func(k calibration.FieldCheck) any { return putFieldCheckOf(k) })
	return fieldCheckOf(rec), err
}

// get returns a field check.
//
//	@Summary	Read a field check
//	@Tags		field-checks
//	@Param		id		path		string		true	"Field check"										format(uuid)
//	@Param		expand	query		[]string	false	"Records that it refers to, to be answered with it"	collectionFormat(csv)	Enums(instrument, calibrator)
//	@Success	200		{object}	FieldCheck
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/field-checks/{id} [get]
func (h fieldCheckHandlers) get(c *gin.Context) (FieldCheck, error) {
	body, err := readOne(c, h.store.FieldCheck, fieldCheckOf)
	return expandOne(h.server, c, body, err)
}

// update changes a field check.
//
//	@Summary		Change a field check
//	@Description	An expected level that was computed is computed anew.
//	@Tags			field-checks
//	@Accept			application/merge-patch+json
//	@Param			id		path		string			true	"Field check"	format(uuid)
//	@Param			patch	body		NewFieldCheck	true	"Members to change"
//	@Success		200		{object}	FieldCheck
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/field-checks/{id} [patch]
func (h fieldCheckHandlers) update(c *gin.Context) (FieldCheck, error) {
	rec, err := change(c,
		func(ctx context.Context, id uuid.UUID) (pendingCheck, error) {
			k, err := h.store.FieldCheck(ctx, id)
			return pendingCheck{k}, err
		},
		func(ctx context.Context, k pendingCheck) (pendingCheck, error) {
			changed, err := h.store.UpdateFieldCheck(ctx, k.FieldCheck)
			return pendingCheck{changed}, err
		},
		func(k pendingCheck) NewFieldCheck { return newFieldCheckOf(k.FieldCheck) },
		func(in NewFieldCheck, k pendingCheck) pendingCheck { return pendingCheck{in.fieldCheck(k.FieldCheck)} },
		"instrument_id")
	return fieldCheckOf(rec.FieldCheck), err
}

// versions lists every version of a field check.
//
//	@Summary	List the versions of a field check, oldest first
//	@Tags		field-checks
//	@Param		id		path		string	true	"Field check"	format(uuid)
//	@Success	200		{object}	List[FieldCheck]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/field-checks/{id}/versions [get]
func (h fieldCheckHandlers) versions(c *gin.Context) (List[FieldCheck], error) {
	return versionsOf(c, h.store.FieldCheckVersions, fieldCheckOf)
}
