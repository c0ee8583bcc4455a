package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
)

type instrumentStore interface {
	CreateInstrument(ctx context.Context, i calibration.Instrument) (calibration.Instrument, error)
	Instrument(ctx context.Context, id uuid.UUID) (calibration.Instrument, error)
	Instruments(ctx context.Context, serialNumber, kind string, p request.Page) ([]calibration.Instrument, error)
	InstrumentVersions(ctx context.Context, id uuid.UUID) ([]calibration.Instrument, error)
	UpdateInstrument(ctx context.Context, i calibration.Instrument) (calibration.Instrument, error)
}

// NewInstrument is an instrument as sent.
type NewInstrument struct {
	Kind          string  `json:"kind" enums:"sound_level_meter,personal_sound_exposure_meter,sound_calibrator,microphone,preamplifier,filter_set,anemometer"` // What it is
	Manufacturer  string  `json:"manufacturer" example:"Invented Works"`                                                                                       // Who made it
	Model         string  `json:"model" example:"Mu"`                                                                                                          // Model, as its maker calls it
	SerialNumber  string  `json:"serial_number" example:"0001"`                                                                                                // Unique for manufacturer and model
	Class         *string `json:"class,omitempty" example:"1"`                                                                                                 // Class within the specification; optional where that has none
	Specification *string `json:"specification,omitempty" example:"IEC 61672-1:2013"`                                                                          // Standard with edition; absent: the current one of its kind
}

// Instrument is a meter, a calibrator or a part of a measuring chain.
type Instrument struct {
	Stamp
	Kind          string  `json:"kind"`
	Manufacturer  string  `json:"manufacturer"`  // Who made it
	Model         string  `json:"model"`         // Model, as its maker calls it
	SerialNumber  string  `json:"serial_number"` // Unique for manufacturer and model
	Class         *string `json:"class"`         // Class within the specification; null if it has none
	Specification *string `json:"specification"` // Standard with edition; null if none is known for its kind
}

func (i Instrument) path() string { return "/v1/instruments/" + i.ID.String() }

func newInstrumentOf(i calibration.Instrument) NewInstrument {
	return NewInstrument{
		Kind: string(i.Kind), Manufacturer: i.Manufacturer, Model: i.Model, SerialNumber: i.SerialNumber,
		Class: orNil(i.Class), Specification: orNil(i.Specification),
	}
}

// instrument returns i with the members of in.
func (in NewInstrument) instrument(i calibration.Instrument) calibration.Instrument {
	i.Kind, i.Manufacturer, i.Model, i.SerialNumber = calibration.Kind(in.Kind), in.Manufacturer, in.Model, in.SerialNumber
	i.Class, i.Specification = orZero(in.Class), orZero(in.Specification)
	return i.WithDefaults()
}

func instrumentOf(i calibration.Instrument) Instrument {
	return Instrument{
		Stamp{i.ID, i.Version, i.CreatedAt, i.RecordedAt},
		string(i.Kind), i.Manufacturer, i.Model, i.SerialNumber,
		orNil(i.Class), orNil(i.Specification),
	}
}

type instrumentHandlers struct{ *server }

func (h instrumentHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/instruments", respond(h.server, http.StatusOK, h.list, "limit", "cursor", "serial_number", "kind"))
	v1.POST("/instruments", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/instruments/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/instruments/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/instruments/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the instruments.
//
//	@Summary	List instruments
//	@Tags		instruments
//	@Param		limit			query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor			query		string	false	"Next page, from the answer before"
//	@Param		serial_number	query		string	false	"Those with this serial number"
//	@Param		kind			query		string	false	"Those of this kind"	Enums(sound_level_meter, personal_sound_exposure_meter, sound_calibrator, microphone, preamplifier, filter_set, anemometer)
//	@Success	200				{object}	List[Instrument]
//	@Failure	default			{object}	Problem	"Any error"
//	@Router		/v1/instruments [get]
func (h instrumentHandlers) list(c *gin.Context) (List[Instrument], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[Instrument]{}, err
	}
	kind, err := queryWord(c, "kind", append([]string{""}, calibration.Kinds()...)...)
	if err != nil {
		return List[Instrument]{}, err
	}
	serialNumber, err := queryText(c, "serial_number")
	if err != nil {
		return List[Instrument]{}, err
	}
	recs, err := h.store.Instruments(c.Request.Context(), serialNumber, kind, p)
	if err != nil {
		return List[Instrument]{}, err
	}
	return listOf(h.server, c, p, recs, func(r calibration.Instrument) uuid.UUID { return r.ID }, instrumentOf), nil
}

// create stores a new instrument.
//
//	@Summary	Create an instrument
//	@Tags		instruments
//	@Accept		json
//	@Param		instrument	body		NewInstrument	true	"Instrument to store"
//	@Success	201			{object}	Instrument
//	@Failure	default		{object}	Problem	"Any error"
//	@Router		/v1/instruments [post]
func (h instrumentHandlers) create(c *gin.Context) (Instrument, error) {
	var in NewInstrument
	if err := decode(c, &in, func() error { return in.instrument(calibration.Instrument{}).Validate() }); err != nil {
		return Instrument{}, err
	}
	rec, err := h.store.CreateInstrument(c.Request.Context(), in.instrument(calibration.Instrument{}))
	return instrumentOf(rec), err
}

// get returns an instrument.
//
//	@Summary	Read an instrument
//	@Tags		instruments
//	@Param		id		path		string	true	"Instrument"	format(uuid)
//	@Success	200		{object}	Instrument
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id} [get]
func (h instrumentHandlers) get(c *gin.Context) (Instrument, error) {
	return readOne(c, h.store.Instrument, instrumentOf)
}

// update changes an instrument.
//
//	@Summary	Change an instrument
//	@Tags		instruments
//	@Accept		application/merge-patch+json
//	@Param		id		path		string			true	"Instrument"	format(uuid)
//	@Param		patch	body		NewInstrument	true	"Members to change"
//	@Success	200		{object}	Instrument
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id} [patch]
func (h instrumentHandlers) update(c *gin.Context) (Instrument, error) {
	rec, err := change(c, h.store.Instrument, h.store.UpdateInstrument, newInstrumentOf, NewInstrument.instrument)
	return instrumentOf(rec), err
}

// versions lists every version of an instrument.
//
//	@Summary	List the versions of an instrument, oldest first
//	@Tags		instruments
//	@Param		id		path		string	true	"Instrument"	format(uuid)
//	@Success	200		{object}	List[Instrument]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id}/versions [get]
func (h instrumentHandlers) versions(c *gin.Context) (List[Instrument], error) {
	return versionsOf(c, h.store.InstrumentVersions, instrumentOf)
}
